"""One measurement timed: quick value, linear route, both routes, side by side in one run.

    python benchmarks/measure.py [--rounds 15] [--out benchmarks/measure.json]

One look of 960 × 720 pixels with a dent, a distance, an area and an offset. Every round times each kind by
each way once, in turn, so that what else the machine does falls on all alike; medians, and their ratios.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import statistics
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from fringewise.findings.finding import Finding
from fringewise.findings.kind import Look, look_at
from fringewise.findings.quick import quick_value
from fringewise.findings.registry import measure_finding
from fringewise.virtual import Exposure, render, standard_head, standard_plan
from fringewise.virtual.scenes import random_blade_scene
from fringewise.workflow.marking import marked_findings
from fringewise.workflow.surfaces import make_surface

HERE = Path(__file__).parent
SEED = 20261125
DAMAGES = ("dent", "distance", "area", "offset")


def main() -> None:
    options = _options()
    look, findings = _look()
    report = {"machine": _machine(), "rounds": options.rounds, "kinds": {}}
    for finding in findings:
        report["kinds"][finding.kind] = _timed(_ways(look, finding), options.rounds)
    options.out.write_text(json.dumps(report, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(report, indent=1))


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--rounds", type=int, default=15)
    parser.add_argument("--out", type=Path, default=HERE / "measure.json")
    return parser.parse_args()


def _look() -> tuple[Look, tuple[Finding, ...]]:
    rng, head = np.random.default_rng(SEED), standard_head()
    scene = random_blade_scene(rng, 15.0, list(DAMAGES))
    made = render(scene, head, standard_plan(), Exposure(), rng, rays_per_pixel=3)
    return look_at(make_surface(made.capture)), marked_findings(scene, head, rng)


def _ways(look: Look, finding: Finding) -> dict[str, Callable[[], object]]:
    linear = replace(look, draws=0)
    return {
        "quick value": lambda: quick_value(look, finding),
        "linear": lambda: measure_finding(linear, finding),
        "both routes": lambda: measure_finding(look, finding),
    }


def _timed(ways: dict[str, Callable[[], object]], rounds: int) -> dict[str, Any]:
    wall: dict[str, list[float]] = {name: [] for name in ways}
    work: dict[str, list[float]] = {name: [] for name in ways}
    for turn in range(rounds + 1):
        for name, way in ways.items():
            start, busy = time.perf_counter(), time.process_time()
            way()
            if turn:
                wall[name].append(1e3 * (time.perf_counter() - start))
                work[name].append(1e3 * (time.process_time() - busy))
    medians = {name: statistics.median(times) for name, times in wall.items()}
    return {
        "ms": {name: round(value, 1) for name, value in medians.items()},
        "least_ms": {name: round(min(times), 1) for name, times in wall.items()},
        "processor_ms": {name: round(statistics.median(times), 1) for name, times in work.items()},
        "times_the_linear_route": {
            name: round(value / medians["linear"], 2) for name, value in medians.items()
        },
    }


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
