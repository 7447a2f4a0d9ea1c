"""Kernels of cleaning: which neighbours lie on one surface, what outline pixels should read, islands.

Inverse depth 1/z is straight over the image of a plane, so the pixels further inside predict an outline pixel
by a plane fit to it.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from fringewise.core.kernels import kernel

Image = npt.NDArray[Any]

JOINED: Final = np.uint8(1)
BEYOND: Final = np.uint8(16)
"""A link's value: two live neighbours on one surface, or on two; 0 where one is not live.

So the sum over a pixel's 8 links holds the number joined in its low four bits, the number beyond above.
"""

_NO_LINK: Final = np.uint8(0)
_REACH: Final = 3
_LEAST_INSIDE: Final = 6
_SIGMAS2_JOINED: Final = np.float32(25.0)
_SLACK: Final = 1.5  # 2 standard deviations of a modulation from 3 or 4 frames, in those of one frame


@kernel()
def _link_row(
    z: Image, sigma: Image, live: Image, z_next: Image, sigma_next: Image, live_next: Image,
    slope2: np.float32, link: Image,
) -> None:  # fmt: skip
    for u in range(link.size):
        step = z_next[u] - z[u]
        noise2 = sigma[u] * sigma[u] + sigma_next[u] * sigma_next[u]
        joined = step * step <= slope2 * z[u] * z_next[u] + _SIGMAS2_JOINED * noise2
        both = live[u] & live_next[u]
        link[u] = (JOINED if joined else BEYOND) if both else _NO_LINK


@kernel()
def link_neighbours(
    z: Image, sigma: Image, live: Image, slope2: np.float32, links: Image, first: int, end: int
) -> None:
    """Link each pixel of rows `first` … `end` to its neighbours right, below left, below and below right.

    Pixel (v, u) stands at ``links[:, v + 1, u + 1]``; the frame round it stays 0. Neighbours are joined when
    their step in depth is within five standard deviations and the steepest slope together.
    """
    height, width = z.shape
    for v in range(first, end):
        s, m = sigma[v], live[v]
        d = z[v]
        row = links[:, v + 1]
        _link_row(d[:-1], s[:-1], m[:-1], d[1:], s[1:], m[1:], slope2, row[0, 1:width])
        if v + 1 < height:
            t, n = sigma[v + 1], live[v + 1]
            e = z[v + 1]
            across2 = np.float32(2.0) * slope2
            _link_row(d[1:], s[1:], m[1:], e[:-1], t[:-1], n[:-1], across2, row[1, 2 : width + 1])
            _link_row(d, s, m, e, t, n, slope2, row[2, 1 : width + 1])
            _link_row(d[:-1], s[:-1], m[:-1], e[1:], t[1:], n[1:], across2, row[3, 1:width])


@kernel()
def _apart(z: Image, sigma: Image, v: int, u: int, y: int, x: int, slope2: float) -> bool:
    """Whether the step between two pixels is too high for one surface."""
    apart2 = (y - v) * (y - v) + (x - u) * (x - u)
    step = z[y, x] - z[v, u]
    noise2 = sigma[v, u] * sigma[v, u] + sigma[y, x] * sigma[y, x]
    return bool(step * step > slope2 * apart2 * z[v, u] * z[y, x] + _SIGMAS2_JOINED * noise2)


@kernel()
def _ways(z: Image, sigma: Image, inside: Image, v: int, u: int, slope2: float, ways: Image) -> None:
    """Say in which of the 8 directions the surface goes on from (v, u): beyond a step lies another."""
    height, width = z.shape
    for dv in range(-1, 2):
        for du in range(-1, 2):
            y = v + dv
            x = u + du
            within = 0 <= y < height and 0 <= x < width
            ways[dv + 1, du + 1] = within and inside[y, x] > 0 and not _apart(z, sigma, v, u, y, x, slope2)


@kernel()
def _fit_inside(
    z: Image, sigma: Image, modulation: Image, inside: Image, v: int, u: int, slope2: float,
    ways: Image, sums: Image,
) -> int:  # fmt: skip
    """Sums of a weighted plane fit to 1/z and the modulation at pixels further inside than (v, u)."""
    height, width = z.shape
    for n in range(12):
        sums[n] = 0.0
    count = 0
    ring = inside[v, u]
    _ways(z, sigma, inside, v, u, slope2, ways)
    for y in range(max(v - _REACH, 0), min(v + _REACH + 1, height)):
        for x in range(max(u - _REACH, 0), min(u + _REACH + 1, width)):
            if inside[y, x] <= ring or not ways[1 + (y > v) - (y < v), 1 + (x > u) - (x < u)]:
                continue
            if _apart(z, sigma, v, u, y, x, slope2):
                continue
            dv = float(y - v)
            du = float(x - u)
            w = 1.0 / z[y, x]
            doubt = sigma[y, x] * w * w
            weight = 1.0 / (doubt * doubt)
            count += 1
            sums[0] += weight
            sums[1] += weight * du
            sums[2] += weight * dv
            sums[3] += weight * du * du
            sums[4] += weight * du * dv
            sums[5] += weight * dv * dv
            sums[6] += weight * w
            sums[7] += weight * w * du
            sums[8] += weight * w * dv
            sums[9] += weight * modulation[y, x]
            sums[10] += weight * modulation[y, x] * du
            sums[11] += weight * modulation[y, x] * dv
    return count


@kernel()
def _expected(sums: Image) -> tuple[float, float, float]:
    """Values of 1/z and modulation at (0, 0) of the planes that the sums describe, and the former's variance.

    The variance is NaN where the pixels don't tell a plane.
    """
    s0, sx, sy, sxx, sxy, syy = sums[0], sums[1], sums[2], sums[3], sums[4], sums[5]
    a = sxx * syy - sxy * sxy
    b = sxy * sy - sx * syy
    c = sx * sxy - sxx * sy
    determinant = s0 * a + sx * b + sy * c
    if not determinant > 1e-9 * s0 * sxx * syy:
        return np.nan, np.nan, np.nan
    value = (a * sums[6] + b * sums[7] + c * sums[8]) / determinant
    brightness = (a * sums[9] + b * sums[10] + c * sums[11]) / determinant
    return value, brightness, a / determinant


@kernel()
def _brightest(modulation: Image, v: int, u: int) -> float:
    """Greatest modulation in the 3 × 3 pixels round (v, u)."""
    height, width = modulation.shape
    most = 0.0
    for y in range(max(v - 1, 0), min(v + 2, height)):
        for x in range(max(u - 1, 0), min(u + 2, width)):
            most = max(most, modulation[y, x])
    return most


@kernel()
def disagreeing(
    z: Image, sigma: Image, modulation: Image, at_step: Image, inside: Image, ring: int, slope2: float,
    limits: tuple[float, float, float, float], noise: tuple[float, float], mixed: Image, first: int, end: int,
) -> None:  # fmt: skip
    """Mark pixels of one ring of the outline, in rows `first` … `end`, that disagree with what lies inside.

    `limits`: most standard deviations off; least and most modulation as a share of that inside; least as a
    share of the brightest neighbour's. Before the dark these hold beyond modulation's `noise` (read-out
    variance, variance for each grey level of modulation); at a step to another surface they hold as they are.
    """
    width = z.shape[1]
    most_off, least_share, most_share, least_of_brightest = limits
    read2, by_level = noise
    sums = np.empty(12, np.float64)
    ways = np.empty((3, 3), np.bool_)
    for v in range(first, end):
        for u in range(width):
            if inside[v, u] != ring:
                continue
            own = modulation[v, u]
            brightest = _brightest(modulation, v, u)
            slack = _SLACK * math.sqrt(read2 + by_level * brightest) if not at_step[v, u] else 0.0
            count = _fit_inside(z, sigma, modulation, inside, v, u, slope2, ways, sums)
            value, inner, variance = _expected(sums)
            if count < _LEAST_INSIDE or np.isnan(variance):
                mixed[v, u] = own < least_share * brightest - slack
                continue
            w = 1.0 / z[v, u]
            doubt = sigma[v, u] * w * w
            mixed[v, u] = (
                abs(w - value) > most_off * math.sqrt(variance + doubt * doubt)
                or own < least_share * inner - slack
                or own > most_share * inner + slack
                or own < least_of_brightest * brightest - slack
            )


@kernel()
def _runs(links: Image, kept: Image, run: Image, parent: Image, size: Image) -> int:
    """Number the stretches of joined kept pixels of each row; −1 where nothing is kept."""
    height, width = kept.shape
    runs = 0
    for v in range(height):
        previous = False
        for u in range(width):
            if not kept[v, u]:
                run[v, u] = -1
                previous = False
                continue
            if not (previous and links[0, v + 1, u] == JOINED):
                parent[runs] = runs
                size[runs] = 0
                runs += 1
            size[runs - 1] += 1
            run[v, u] = runs - 1
            previous = True
    return runs


@kernel()
def _root(parent: Image, n: Any) -> Any:
    while parent[n] != n:
        parent[n] = parent[parent[n]]
        n = np.int64(parent[n])
    return n


@kernel()
def mark_islands(links: Image, kept: Image, least: int, island: Image) -> None:
    """Mark kept pixels in connected patches (8 neighbours, one surface) of fewer than `least` pixels."""
    height, width = kept.shape
    run = np.empty((height, width), np.int32)
    parent = np.empty(height * width, np.int32)
    size = np.empty(height * width, np.int32)
    runs = _runs(links, kept, run, parent, size)
    for v in range(height - 1):
        for u in range(width):
            if run[v, u] < 0:
                continue
            for k in range(1, 4):
                x = u + k - 2
                if links[k, v + 1, u + 1] != JOINED or run[v + 1, x] < 0:
                    continue
                a = _root(parent, np.int64(run[v, u]))
                b = _root(parent, np.int64(run[v + 1, x]))
                if a != b:
                    parent[max(a, b)] = min(a, b)
                    size[min(a, b)] += size[max(a, b)]
    for n in range(runs):
        parent[n] = _root(parent, n)
    for v in range(height):
        for u in range(width):
            island[v, u] = run[v, u] >= 0 and size[parent[run[v, u]]] < least
