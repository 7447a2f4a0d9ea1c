"""Decoding timed against other ways, side by side in one run.

    python benchmarks/decode.py [--rounds 15] [--out benchmarks/decode.json] [--without-fringes]

Every round times each way once more in turn, so that what else the machine does falls on all alike; ratios
are medians over rounds. The package `fringes` (GPL-3.0) is only ever timed: it lives in an environment of its
own (`benchmarks/.env-fringes`, made here, never committed) and is talked to over a pipe.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
import venv
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import cv2
import numba
import numpy as np

from fringewise.capture import Camera, Capture, FringeFrames, FringeSet, Head, Lens, NoiseModel, Projector
from fringewise.phase import decode
from fringewise.phase.ladder import climb
from fringewise.phase.rows import decode_sets

HERE = Path(__file__).parent
WIDTH, HEIGHT = 960, 720
FRINGES = (1, 7, 49)
SHIFTS = tuple(math.radians(degrees) for degrees in (0, 90, 180, 270))
NOISE = NoiseModel(read_dn=1.23, gain_dn_per_electron=0.02, bits=8)
REPEATS = 5
GUEST_NAME = "fringes, fast mode"
Array = Any

GUEST = """
import importlib.metadata, json, sys, time
import numpy as np
from fringes import Fringes
f = Fringes()
f.X, f.Y, f.D, f.K = {width}, {height}, 1, 3
f.v, f.N, f.mode = [1, 7, 49], [4, 4, 4], "fast"
frames = f.encode()
rng = np.random.default_rng(1)
level = 40 + 120 * (frames.astype(float) / 255)
frames = np.clip(np.round(level + 2 * rng.standard_normal(level.shape)), 0, 255).astype(np.uint8)
about = [list(frames.shape), str(f.mode), importlib.metadata.version("fringes")]
print("ABOUT " + json.dumps(about), flush=True)
for line in sys.stdin:
    threads, repeats = map(int, line.split())
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        f.decode(frames, threads=threads)
        times.append(time.perf_counter() - start)
    print("TIMES " + json.dumps(times), flush=True)
"""


def main() -> None:
    options = _options()
    capture, column = _capture()
    first_s = _compile_time()
    ways = _ways(capture)
    _check(capture, column, ways)
    guest = None if options.without_fringes else Guest.started()
    results = {str(threads): _timed(ways, guest, threads, options.rounds) for threads in (1, 2)}
    report = {"machine": _machine(), "first_run_s": first_s, "threads": results}
    if guest is not None:
        report["fringes"] = guest.about
        guest.stop()
    options.out.write_text(json.dumps(report, indent=1) + "\n", encoding="utf-8")
    _print(report)


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--rounds", type=int, default=15)
    parser.add_argument("--out", type=Path, default=HERE / "decode.json")
    parser.add_argument("--without-fringes", action="store_true")
    return parser.parse_args()


def _capture() -> tuple[Capture, Array]:
    """Twelve 8-bit frames of a sloping column with noise, every pixel lit."""
    rng = np.random.default_rng(1)
    column = np.broadcast_to(np.linspace(0.1, 0.9, WIDTH), (HEIGHT, WIDTH))
    sets = []
    for fringes in FRINGES:
        level = np.stack([100 + 60 * np.cos(2 * np.pi * fringes * column + shift) for shift in SHIFTS])
        level += rng.standard_normal(level.shape) * np.sqrt(NOISE.variance_dn2(level) - 1 / 12)
        frames = np.clip(np.round(level), 0, 255).astype(np.uint8)
        sets.append(FringeFrames(FringeSet(fringes, SHIFTS), frames))
    camera = Camera(WIDTH, HEIGHT, Lens(700, 700, 479.5, 359.5))
    projector = Projector(Lens(0.72, 1.0, 0.5, 0.0), 1.0, None, np.eye(3), np.array([-2.6, 0.0, 0.0]))
    head = Head("BENCH", camera, projector, noise=NOISE, working_range_mm=(6.0, 60.0))
    return Capture(datetime(2026, 3, 14, tzinfo=UTC), head, tuple(sets)), column


def _ways(capture: Capture) -> dict[str, Callable[[], Array]]:
    sets = capture.sets
    ladder = climb([one.fringe_set for one in sets])
    frames = [one.frames for one in sets]
    tuned, primitives = TunedNumpy(), Primitives()
    copied = sum(one.frames.nbytes for one in sets) + 22 * WIDTH * HEIGHT
    source, target = np.ones(copied // 2, np.uint8), np.ones(copied // 2, np.uint8)
    return {
        "kernel": lambda: decode_sets(sets, ladder, NOISE).column,
        "decode, motion judged": lambda: decode(capture).column,
        "numpy float64, plain": lambda: plain_numpy(frames),
        "numpy float32, tuned": lambda: tuned(frames),
        "opencv primitives, no variance or flags": lambda: primitives(frames),
        "plain copy of the bytes": lambda: np.copyto(target, source),
    }


def plain_numpy(frames: Sequence[Array]) -> Array:
    """Column, sigma, mean, modulation and flags as one writes them down."""
    column: Array = 0.5  # the single fringe has no coarser set: any place inside it does
    flags = np.zeros((HEIGHT, WIDTH), np.uint16)
    for fringes, four in zip(FRINGES, frames, strict=True):
        i0, i1, i2, i3 = four.astype(np.float64)
        mean = (i0 + i1 + i2 + i3) / 4
        cosine, sine = (i0 - i2) / 2, (i3 - i1) / 2
        modulation = np.hypot(cosine, sine)
        turn = np.arctan2(sine, cosine) / (2 * np.pi) % 1.0
        variance = NOISE.read_dn**2 + NOISE.gain_dn_per_electron * mean
        phase_sigma = np.sqrt(variance / 2) / modulation
        flags |= np.where(four.max(axis=0) >= 255, 1, 0).astype(np.uint16)
        flags |= np.where(phase_sigma > 1 / 6, 2, 0).astype(np.uint16)
        column = (turn + np.round(column * fringes - turn)) / fringes
        sigma = phase_sigma / (2 * np.pi * fringes)
    return column if sigma is not None else flags


class TunedNumpy:
    """The same in float32 with arrays kept, in bands of rows that fit the cache."""

    BAND = 24

    def __init__(self) -> None:
        self.rooms = [np.empty((self.BAND, WIDTH), np.float32) for _ in range(8)]
        self.outputs = [np.empty((HEIGHT, WIDTH), np.float32) for _ in range(4)]
        self.flags = np.empty((HEIGHT, WIDTH), np.uint16)

    def __call__(self, frames: Sequence[Array]) -> Array:
        for top in range(0, HEIGHT, self.BAND):
            self._band(frames, slice(top, top + self.BAND))
        return self.outputs[0]

    def _band(self, frames: Sequence[Array], rows: slice) -> None:
        mean, cosine, sine, turn, work, square, order, var = self.rooms
        column, sigma, level, modulation = (output[rows] for output in self.outputs)
        flags = self.flags[rows]
        column[...], flags[...] = 0.5, 0
        for fringes, four in zip(FRINGES, frames, strict=True):
            i0, i1, i2, i3 = four[:, rows]
            np.subtract(i0, i2, out=cosine, dtype=np.float32)
            np.subtract(i3, i1, out=sine, dtype=np.float32)
            np.add(i0, i1, out=mean, dtype=np.float32)
            np.add(mean, i2, out=mean)
            np.add(mean, i3, out=mean)
            np.multiply(mean, np.float32(0.25), out=mean)
            np.arctan2(sine, cosine, out=turn)
            np.multiply(turn, np.float32(0.5 / np.pi), out=turn)
            np.multiply(cosine, cosine, out=square)
            np.multiply(sine, sine, out=work)
            np.add(square, work, out=square)
            np.multiply(mean, np.float32(NOISE.gain_dn_per_electron), out=var)
            np.add(var, np.float32(NOISE.read_dn**2), out=var)
            np.divide(var, square, out=var)
            saturated = np.maximum(np.maximum(i0, i1), np.maximum(i2, i3)) >= 255
            flags |= saturated
            flags |= (var > np.float32(1 / 72)).astype(np.uint16) << 1
            np.multiply(column, np.float32(fringes), out=order)
            np.subtract(order, turn, out=order)
            np.rint(order, out=order)
            np.add(order, turn, out=order)
            np.multiply(order, np.float32(1 / fringes), out=column)
        np.sqrt(var, out=sigma)
        np.multiply(sigma, np.float32(1 / (np.sqrt(2) * np.pi * FRINGES[-1])), out=sigma)
        np.sqrt(square, out=modulation)
        level[...] = mean


class Primitives:
    """Phase, mean, modulation and column from the library's own calls, arrays kept."""

    def __init__(self) -> None:
        self.cosine, self.sine, self.size, self.angle, self.mean, self.column = (
            np.empty((HEIGHT, WIDTH), np.float32) for _ in range(6)
        )
        self.order = np.empty((HEIGHT, WIDTH), np.int32)

    def __call__(self, frames: Sequence[Array]) -> Array:
        times: Any = cv2.multiply  # takes a number too, which its stated types don't say
        for number, (fringes, four) in enumerate(zip(FRINGES, frames, strict=True)):
            cv2.subtract(four[0], four[2], dst=self.cosine, dtype=cv2.CV_32F)
            cv2.subtract(four[3], four[1], dst=self.sine, dtype=cv2.CV_32F)
            cv2.cartToPolar(self.cosine, self.sine, magnitude=self.size, angle=self.angle)
            if number == 0:
                times(self.angle, 0.5 / (np.pi * fringes), dst=self.column)
                continue
            cv2.addWeighted(
                self.column, fringes, self.angle, -0.5 / np.pi, 0, dst=self.order, dtype=cv2.CV_32S
            )
            cv2.addWeighted(
                self.angle,
                0.5 / (np.pi * fringes),
                self.order,
                1 / fringes,
                0,
                dst=self.column,
                dtype=cv2.CV_32F,
            )
        cv2.add(four[0], four[1], dst=self.mean, dtype=cv2.CV_32F)
        cv2.add(self.mean, four[2], dst=self.mean, dtype=cv2.CV_32F)
        cv2.add(self.mean, four[3], dst=self.mean, dtype=cv2.CV_32F)
        return self.column


class Guest:
    """The package `fringes` in its own environment, timed there and told when to run."""

    def __init__(self, process: subprocess.Popen[str], about: dict[str, Any]) -> None:
        self.process, self.about = process, about

    @staticmethod
    def started() -> Guest | None:
        place = HERE / ".env-fringes"
        python = place / ("Scripts" if os.name == "nt" else "bin") / "python"
        try:
            if not python.exists():
                venv.create(place, with_pip=True)
                subprocess.run([python, "-m", "pip", "install", "-q", "fringes"], check=True)
        except (subprocess.CalledProcessError, OSError) as problem:
            print(f"fringes is left out: {problem}")
            return None
        script = GUEST.format(width=WIDTH, height=HEIGHT)
        process = subprocess.Popen(
            [python, "-c", script], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
        )
        about = None
        while about is None:
            line = _next_line(process)
            if line.startswith("ABOUT "):
                about = json.loads(line.removeprefix("ABOUT "))
        return Guest(process, dict(zip(("frames", "mode", "version"), about, strict=True)))

    def times(self, threads: int, repeats: int) -> list[float]:
        assert self.process.stdin is not None
        self.process.stdin.write(f"{threads} {repeats}\n")
        self.process.stdin.flush()
        while True:
            line = _next_line(self.process)
            if line.startswith("TIMES "):
                found: list[float] = json.loads(line.removeprefix("TIMES "))
                return found

    def stop(self) -> None:
        assert self.process.stdin is not None
        self.process.stdin.close()
        self.process.wait(timeout=30)


def _next_line(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    line = process.stdout.readline()
    if not line:
        raise RuntimeError("the environment of fringes ended before its time")
    return line


def _timed(
    ways: dict[str, Callable[[], Array]], guest: Guest | None, threads: int, rounds: int
) -> dict[str, dict[str, float]]:
    numba.set_num_threads(threads)
    cv2.setNumThreads(threads)
    if guest is not None:
        guest.times(threads, 2)  # compiled, warm
    found: dict[str, list[list[float]]] = {name: [] for name in ways}
    if guest is not None:
        found[GUEST_NAME] = []
    for _ in range(rounds):
        for name, way in ways.items():
            found[name].append(_times_of(way, 1 if "float64" in name else REPEATS))
        if guest is not None:
            found[GUEST_NAME].append(guest.times(threads, 2))
    return {name: _summary(times, found["kernel"]) for name, times in found.items()}


def _times_of(way: Callable[[], Array], repeats: int) -> list[float]:
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        way()
        times.append(time.perf_counter() - start)
    return times


def _summary(rounds: list[list[float]], kernel: list[list[float]]) -> dict[str, float]:
    """Medians of the rounds' medians, and the least times of all, which a busy machine disturbs less."""
    each, ours = ([statistics.median(times) for times in way] for way in (rounds, kernel))
    least, our_least = (min(min(times) for times in way) for way in (rounds, kernel))
    return {
        "median_ms": round(1e3 * statistics.median(each), 3),
        "least_ms": round(1e3 * least, 3),
        "times_the_kernel": round(statistics.median(a / b for a, b in zip(each, ours, strict=True)), 2),
        "least_times_the_kernels": round(least / our_least, 2),
    }


def _check(capture: Capture, column: Array, ways: dict[str, Callable[[], Array]]) -> None:
    """All ways find the same column, and ours no wrong fringe."""
    found = decode(capture)
    wrong = int(np.count_nonzero(np.abs(found.column - column) > 0.5 / FRINGES[-1]))
    if wrong or np.any(found.flags):
        raise SystemExit(
            f"{wrong} wrong fringe orders, {np.count_nonzero(found.flags)} flags on a clean capture"
        )
    for name, way in ways.items():
        if "copy" not in name and np.abs(way() - column).max() > 0.01:
            raise SystemExit(f"{name} does not decode the capture")


def _compile_time() -> float:
    """Seconds that compiling takes: the first decoding of a fresh process, less the second."""
    script = (
        "import time, sys; sys.path.insert(0, sys.argv[1]); import decode as bench;"
        "capture, _ = bench._capture(); start = time.perf_counter(); bench.decode(capture);"
        "first = time.perf_counter() - start; start = time.perf_counter(); bench.decode(capture);"
        "print(first - (time.perf_counter() - start))"
    )
    with tempfile.TemporaryDirectory() as empty:
        done = subprocess.run(
            [sys.executable, "-c", script, str(HERE)],
            env=os.environ | {"NUMBA_CACHE_DIR": empty}, capture_output=True, text=True, check=True,
        )  # fmt: skip
    return round(float(done.stdout.split()[-1]), 2)


def _machine() -> dict[str, Any]:
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else None
    return {
        "when": datetime.now(UTC).isoformat(timespec="seconds"),
        "system": platform.platform(),
        "processor": _processor(),
        "cores": os.cpu_count(),
        "load_at_start": load,
        "python": platform.python_version(),
        "numpy": np.__version__,
        "numba": numba.__version__,
        "opencv": cv2.__version__,
        "frames": f"12 of {WIDTH} x {HEIGHT}, 8 bits",
    }


def _processor() -> str:
    facts = Path("/proc/cpuinfo")
    if facts.exists():
        for line in facts.read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    return platform.processor()


def _print(report: dict[str, Any]) -> None:
    print(f"first decoding, compilation: {report['first_run_s']} s")
    for threads, rows in report["threads"].items():
        print(f"\n{threads} thread{'s' if threads != '1' else ''}")
        for name, row in rows.items():
            print(
                f"  {name:42s} {row['median_ms']:9.2f} ms (least {row['least_ms']:7.2f})"
                f" {row['times_the_kernel']:7.2f} times the kernel ({row['least_times_the_kernels']:.2f})"
            )


if __name__ == "__main__":
    main()
