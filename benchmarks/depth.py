"""Points with sigma timed against a plain copy and against numpy, side by side in one run.

    python benchmarks/depth.py [--rounds 40] [--out benchmarks/depth.json]

A plain copy moves as many bytes, read and written together, as the kernel does. `turns`: every round times
each way once more in turn, so that what else the machine does falls on all alike and the arrays have left the
cache in between, as between the steps of a chain; ratios are medians over rounds. `alone`: each way runs many
times by itself, its arrays in the cache.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import statistics
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numba
import numpy as np

from fringewise.capture import Camera, Head, Lens, NoiseModel, Projector
from fringewise.core.flags import Flag
from fringewise.surface import Surface, clean, normals
from fringewise.surface.rays import fill_points, points_on_rays, ray_table

HERE = Path(__file__).parent
WIDTH, HEIGHT = 960, 720
QUICK = ("kernel", "plain copy of the bytes", "copy on as many threads")
NEAR_MM, FAR_MM = 6.0, 60.0
Array = Any


def main() -> None:
    options = _options()
    head, given = _look()
    start = time.perf_counter()
    points_on_rays(head, *given)
    first_s = time.perf_counter() - start
    ways = _ways(head, given)
    _check(head, given)
    report = {
        "machine": _machine(),
        "first_call_s": round(first_s, 2),
        "bytes_read_and_written": _bytes(head, given),
        "turns": {str(threads): _in_turn(ways, threads, options.rounds) for threads in (1, 2)},
        "alone": {str(threads): _alone(ways, threads, 5 * options.rounds) for threads in (1, 2)},
    }
    options.out.write_text(json.dumps(report, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(report, indent=1))


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--rounds", type=int, default=40)
    parser.add_argument("--out", type=Path, default=HERE / "depth.json")
    return parser.parse_args()


def _head(*projector_distortion: float) -> Head:
    camera = Camera(WIDTH, HEIGHT, Lens(700.0, 700.0, 471.3, 365.8, (-0.11, 0.035, 0.0006, -0.0004)))
    lens = Lens(0.72, 1.0, 0.5, 0.0, projector_distortion)
    projector = Projector(lens, 1.0, None, np.eye(3), np.array([-2.6, 0.0, 0.0]))
    return Head(
        "BENCH", camera, projector, noise=NoiseModel(1.23, 0.02, 8), working_range_mm=(NEAR_MM, FAR_MM)
    )


def _look() -> tuple[Head, tuple[Array, Array, Array]]:
    """A tilted, rippled wall seen with 12 µm of noise, all of it lit."""
    head = _head()
    table = ray_table(head.camera)
    x, y = table.x.astype(np.float64), table.y.astype(np.float64)
    z = 17 / (1 - 0.3 * x + 0.1 * y) + 0.2 * np.sin(9 * x)
    z += np.random.default_rng(1).normal(0, 0.012, z.shape)
    column = head.projector.column_row(np.stack([x * z, y * z, z], axis=-1))[0].astype(np.float32)
    sigma = np.full_like(column, 0.012 * 0.72 * 2.6 / 17**2)
    return head, (column, sigma, np.zeros(column.shape, np.uint16))


def _outputs() -> tuple[Array, Array, Array]:
    shape = (HEIGHT, WIDTH)
    return np.zeros((*shape, 3), np.float32), np.zeros(shape, np.float32), np.zeros(shape, np.uint16)


def _bytes(head: Head, given: tuple[Array, Array, Array]) -> int:
    table = ray_table(head.camera)
    return sum(array.nbytes for array in (table.x, table.y, *given, *_outputs()))


def _ways(head: Head, given: tuple[Array, Array, Array]) -> dict[str, Callable[[], object]]:
    table, made = ray_table(head.camera), _outputs()
    bent, bent_made = _head(0.05, -0.03), _outputs()
    source, target = (np.ones(_bytes(head, given) // 8, np.float32) for _ in range(2))
    shared, shared_to = source.copy(), target.copy()
    xyz, sigma, flags = points_on_rays(head, *given)
    surface = Surface(xyz, sigma, flags, modulation=np.full_like(sigma, 50), head=head)
    return {
        "kernel": lambda: fill_points(head, table, given, made),
        "plain copy of the bytes": lambda: np.copyto(target, source),
        "copy on as many threads": lambda: copy_on_threads(shared, shared_to),
        "numpy float32, arrays kept": TunedNumpy(head, given),
        "numpy float64, plain": lambda: plain_numpy(head, given),
        "kernel, projector with distortion": lambda: fill_points(bent, table, given, bent_made),
        "cleaning": lambda: clean(surface),
        "normals, 7 × 7": lambda: normals(surface),
    }


@numba.njit(parallel=True, nogil=True)
def copy_on_threads(source: Array, target: Array) -> None:
    parts = 8
    for part in numba.prange(parts):
        first, end = part * source.size // parts, (part + 1) * source.size // parts
        target[first:end] = source[first:end]


def plain_numpy(head: Head, given: tuple[Array, Array, Array]) -> tuple[Array, Array, Array]:
    """Points, sigma and flags as one writes them down."""
    table, projector = ray_table(head.camera), head.projector
    column, column_sigma, flags = given
    rays = np.stack([table.x, table.y, np.ones_like(table.x)], axis=-1).astype(np.float64)
    p = rays @ projector.rotation.T
    tx, _, tz = projector.translation_mm
    m = (column * projector.width - projector.lens.cx) / projector.lens.fx
    under = p[..., 0] - m * p[..., 2]
    z = (m * tz - tx) / under
    slope = (tz * p[..., 0] - tx * p[..., 2]) / under**2 * projector.width / projector.lens.fx
    sigma = np.linalg.norm(rays, axis=-1) * np.abs(slope) * column_sigma
    outside = np.where((z < NEAR_MM) | (z > FAR_MM), int(Flag.OUTSIDE_RANGE), 0)
    return rays * z[..., None], sigma, flags | outside


class TunedNumpy:
    """The same in float32 with all arrays kept and what hangs on the head alone made beforehand."""

    def __init__(self, head: Head, given: tuple[Array, Array, Array]) -> None:
        table, projector = ray_table(head.camera), head.projector
        self.column, self.column_sigma, self.flags = given
        self.x, self.y = table.x, table.y
        rays = np.stack([table.x, table.y, np.ones_like(table.x)], axis=-1)
        p = rays @ projector.rotation.T.astype(np.float32)
        self.p0, self.p2 = p[..., 0].copy(), p[..., 2].copy()
        self.tx, _, self.tz = (np.float32(part) for part in projector.translation_mm)
        self.scale = np.float32(projector.width / projector.lens.fx)
        self.shift = np.float32(projector.lens.cx / projector.lens.fx)
        length = np.linalg.norm(rays, axis=-1)
        self.factor = np.abs(self.tz * self.p0 - self.tx * self.p2) * length * self.scale
        self.m, self.under, self.z = (np.empty_like(self.x) for _ in range(3))
        self.xyz, self.sigma, self.found = _outputs()

    def __call__(self) -> tuple[Array, Array, Array]:
        np.multiply(self.column, self.scale, out=self.m)
        np.subtract(self.m, self.shift, out=self.m)
        np.multiply(self.m, self.p2, out=self.under)
        np.subtract(self.p0, self.under, out=self.under)
        np.multiply(self.m, self.tz, out=self.m)
        np.subtract(self.m, self.tx, out=self.m)
        np.divide(self.m, self.under, out=self.z)
        np.multiply(self.under, self.under, out=self.under)
        np.divide(self.factor, self.under, out=self.sigma)
        np.multiply(self.sigma, self.column_sigma, out=self.sigma)
        np.multiply(self.z, self.x, out=self.xyz[..., 0])
        np.multiply(self.z, self.y, out=self.xyz[..., 1])
        self.xyz[..., 2] = self.z
        outside = (self.z < NEAR_MM) | (self.z > FAR_MM)
        np.bitwise_or(self.flags, outside * np.uint16(Flag.OUTSIDE_RANGE), out=self.found)
        return self.xyz, self.sigma, self.found


def _in_turn(ways: dict[str, Callable[[], object]], threads: int, rounds: int) -> dict[str, dict[str, float]]:
    numba.set_num_threads(threads)
    found: dict[str, list[float]] = {name: [] for name in ways}
    for way in ways.values():
        way()
    for _ in range(rounds):
        for name, way in ways.items():
            found[name].append(_time(way))
    return {name: _summary(times, found["kernel"]) for name, times in found.items()}


def _alone(ways: dict[str, Callable[[], object]], threads: int, rounds: int) -> dict[str, dict[str, float]]:
    numba.set_num_threads(threads)
    found = {name: [_time(ways[name]) for _ in range(rounds)] for name in QUICK}
    return {name: _summary(times, found["kernel"]) for name, times in found.items()}


def _time(way: Callable[[], object]) -> float:
    start = time.perf_counter()
    way()
    return time.perf_counter() - start


def _summary(times: list[float], kernel: list[float]) -> dict[str, float]:
    return {
        "median_ms": round(1e3 * statistics.median(times), 3),
        "least_ms": round(1e3 * min(times), 3),
        "times_the_kernel": round(
            statistics.median(one / ours for one, ours in zip(times, kernel, strict=True)), 2
        ),
        "least_times_the_kernels": round(min(times) / min(kernel), 2),
    }


def _check(head: Head, given: tuple[Array, Array, Array]) -> None:
    """All ways give the same points, to what single precision allows."""
    ours, plain, tuned = points_on_rays(head, *given), plain_numpy(head, given), TunedNumpy(head, given)()
    for name, other, most_mm in (("plain", plain, 2e-5), ("tuned", tuned, 1e-4)):
        apart = float(np.abs(ours[0] - other[0]).max())
        if apart > most_mm or np.abs(ours[1] / other[1] - 1).max() > 1e-4 or np.any(ours[2] != other[2]):
            raise SystemExit(f"numpy ({name}) and the kernel disagree by up to {apart} mm")


def _machine() -> dict[str, Any]:
    return {
        "when": datetime.now(UTC).isoformat(timespec="seconds"),
        "system": platform.platform(),
        "processor": _processor(),
        "cores": os.cpu_count(),
        "load_at_start": os.getloadavg()[0] if hasattr(os, "getloadavg") else None,
        "python": platform.python_version(),
        "numpy": np.__version__,
        "numba": numba.__version__,
    }


def _processor() -> str:
    facts = Path("/proc/cpuinfo")
    if facts.exists():
        lines = facts.read_text(encoding="utf-8").splitlines()
        names = [line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")]
        if names:
            return names[0]
    return platform.processor() or platform.machine()


if __name__ == "__main__":
    main()
