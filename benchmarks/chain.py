"""The whole way from files to a surface, warm and as commands from a cold start, side by side in one run.

    python benchmarks/chain.py [--rounds 15] [--out benchmarks/chain.json]

One look of 960 × 720 pixels, 12 frames and a photo, is rendered and written first. `warm`: reading the files
alone, and the chain with its parts, in turn in one process. `commands`: whole processes: help, a plain
interpreter, the first `surface` ever (empty kernel cache, so that compiling is in it) and later ones.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from fringewise.capture import Capture
from fringewise.files import read_capture, write_capture, write_findings
from fringewise.phase import decode
from fringewise.surface import triangulate
from fringewise.virtual import Exposure, render, standard_head, standard_plan
from fringewise.virtual.scenes import random_blade_scene
from fringewise.workflow.marking import marked_findings

HERE = Path(__file__).parent
SEED = 20261125


def main() -> None:
    options = _options()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        look, findings = _look(folder)
        report = {
            "machine": _machine(),
            "warm_ms": _warm(look, options.rounds),
            "commands_s": _commands(folder, look, findings),
        }
    options.out.write_text(json.dumps(report, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(report, indent=1))


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--rounds", type=int, default=15)
    parser.add_argument("--out", type=Path, default=HERE / "chain.json")
    return parser.parse_args()


def _look(folder: Path) -> tuple[Path, Path]:
    rng, head = np.random.default_rng(SEED), standard_head()
    scene = random_blade_scene(rng, 15.0, ["cap dent", "distance"])
    made = render(scene, head, standard_plan(), Exposure(), rng, rays_per_pixel=1)
    look, findings = folder / "look", folder / "findings.json"
    write_capture(made.capture, look)
    write_findings(marked_findings(scene, head, rng), findings)
    return look, findings


def _warm(look: Path, rounds: int) -> dict[str, Any]:
    capture = read_capture(look)
    phase_map = decode(capture)

    def chain() -> None:
        seen: Capture = read_capture(look)
        triangulate(decode(seen), seen)

    ways: dict[str, Callable[[], object]] = {
        "chain, files to surface": chain,
        "reading the files": lambda: read_capture(look),
        "decoding, with motion": lambda: decode(capture),
        "points and cleaning": lambda: triangulate(phase_map, capture),
    }
    took: dict[str, list[float]] = {name: [] for name in ways}
    for turn in range(rounds + 2):
        for name, way in ways.items():
            start = time.perf_counter()
            way()
            if turn > 1:
                took[name].append(1e3 * (time.perf_counter() - start))
    medians = {name: round(statistics.median(times), 1) for name, times in took.items()}
    ratios = [a / b for a, b in zip(took["reading the files"], took["chain, files to surface"], strict=True)]
    return {**medians, "share of reading in the chain": round(statistics.median(ratios), 2)}


def _commands(folder: Path, look: Path, findings: Path) -> dict[str, Any]:
    cache = folder / "kernels"
    env = os.environ | {"FRINGEWISE_KERNEL_CACHE": str(cache), "NUMBA_CACHE_DIR": str(cache)}
    surface = ["surface", str(look), "--out", str(folder / "surface.npz")]
    measure = ["measure", str(look), "--findings", str(findings)]
    took = {
        "interpreter alone": _process(["-c", "pass"], env, 5),
        "fringewise --help": _process(["-m", "fringewise", "--help"], env, 7),
        "surface, first ever": _process(["-m", "fringewise", *surface], env, 1),
        "surface, later": _process(["-m", "fringewise", *surface], env, 3),
        "measure, first ever": _process(["-m", "fringewise", *measure], env, 1),
        "measure, later": _process(["-m", "fringewise", *measure], env, 3),
    }
    compiling = took["surface, first ever"] - took["surface, later"]
    compiling += took["measure, first ever"] - took["measure, later"]
    return {**took, "compiling, in all": round(compiling, 2)}


def _process(arguments: list[str], env: dict[str, str], rounds: int) -> float:
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        subprocess.run([sys.executable, *arguments], env=env, check=True, capture_output=True)
        times.append(time.perf_counter() - start)
    return round(statistics.median(times), 2)


def _machine() -> dict[str, Any]:
    return {
        "when": datetime.now(UTC).isoformat(timespec="seconds"),
        "system": platform.platform(),
        "cores": os.cpu_count(),
        "load_at_start": os.getloadavg()[0] if hasattr(os, "getloadavg") else None,
        "python": platform.python_version(),
        "numpy": np.__version__,
    }


if __name__ == "__main__":
    main()
