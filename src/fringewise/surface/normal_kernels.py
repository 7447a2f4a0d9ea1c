"""Kernels of normals: weighted plane fits in square windows, from sums over the window.

A plane n · X = 1 is straight in inverse depth: 1/z = n · (x, y, 1) on the ray (x, y, 1), whatever the lens.
So the fit is linear, with weights 1/σ² of 1/z, and gives the normal itself, pointing away from the head.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from fringewise.core.kernels import kernel

Image = npt.NDArray[Any]

SUMS: Final = 11
"""Count, Σw, Σwx, Σwy, Σwxx, Σwxy, Σwyy, Σws, Σwsx, Σwsy, Σwss; x, y and s = 1/z from the window's middle."""

_LEAST_POINTS: Final = 6
_BENT: Final = 4.0


@kernel()
def _terms(xyz: Image, sigma: Image, live: Image, middle: tuple[float, float, float], terms: Image) -> None:
    """Terms of the sums for one row of pixels; 0 for pixels that are not live."""
    x0, y0, s0 = middle
    for u in range(live.size):
        z = float(xyz[3 * u + 2]) if live[u] else 1.0
        s = 1.0 / z
        doubt = (float(sigma[u]) if live[u] else 1.0) * s * s
        count = 1.0 if live[u] else 0.0
        w = count / (doubt * doubt)
        x = (float(xyz[3 * u]) * s - x0) if live[u] else 0.0
        y = (float(xyz[3 * u + 1]) * s - y0) if live[u] else 0.0
        s -= s0
        terms[0, u] = count
        terms[1, u] = w
        terms[2, u] = w * x
        terms[3, u] = w * y
        terms[4, u] = w * x * x
        terms[5, u] = w * x * y
        terms[6, u] = w * y * y
        terms[7, u] = w * s
        terms[8, u] = w * s * x
        terms[9, u] = w * s * y
        terms[10, u] = w * s * s


@kernel()
def _add(total: Image, part: Image) -> None:
    for u in range(total.size):
        total[u] += part[u]


@kernel()
def _window_row(terms: Image, reach: int, sums: Image) -> None:
    """Sum each row of terms over `reach` pixels either side; fewer at the image's border."""
    width = terms.shape[1]
    for k in range(SUMS):
        sums[k, :] = 0.0
        for d in range(-reach, reach + 1):
            low = max(0, -d)
            high = min(width, width - d)
            _add(sums[k, low:high], terms[k, low + d : high + d])


@kernel()
def _plane(sums: Image) -> tuple[float, float, float, float]:
    """Slopes and middle value of the plane, and χ² for each degree of freedom; NaN where there is none."""
    n, w = sums[0], sums[1]
    if n < _LEAST_POINTS:
        return np.nan, np.nan, np.nan, np.nan
    mx, my, ms = sums[2] / w, sums[3] / w, sums[7] / w
    xx = sums[4] - w * mx * mx
    xy = sums[5] - w * mx * my
    yy = sums[6] - w * my * my
    sx = sums[8] - w * ms * mx
    sy = sums[9] - w * ms * my
    determinant = xx * yy - xy * xy
    if not determinant > 1e-3 * xx * yy:
        return np.nan, np.nan, np.nan, np.nan
    a = (yy * sx - xy * sy) / determinant
    b = (xx * sy - xy * sx) / determinant
    left = sums[10] - w * ms * ms - a * sx - b * sy
    return a, b, ms - a * mx - b * my, left / (n - 3)


@kernel()
def _apart(xyz: Image, sigma: Image, v: int, u: int, y: int, x: int, slope2: float) -> bool:
    """Whether the step between two pixels is too high for one surface."""
    z = float(xyz[v, 3 * u + 2])
    other = float(xyz[y, 3 * x + 2])
    apart2 = (y - v) * (y - v) + (x - u) * (x - u)
    noise2 = float(sigma[v, u]) ** 2 + float(sigma[y, x]) ** 2
    return bool((z - other) * (z - other) > slope2 * apart2 * z * other + 25.0 * noise2)


@kernel()
def _gather(
    xyz: Image, sigma: Image, live: Image, v: int, u: int, reach: int, slope2: float,
    middle: tuple[float, float, float], sums: Image,
) -> None:  # fmt: skip
    """Sums over just those pixels of the window that can lie on the middle pixel's surface.

    Beyond a neighbour that is lost or across a step nothing counts: another surface may begin there.
    """
    height, width = live.shape
    terms = np.empty((SUMS, 1), np.float64)
    ways = np.zeros((3, 3), np.bool_)
    sums[:] = 0.0
    for y in range(max(v - 1, 0), min(v + 2, height)):
        for x in range(max(u - 1, 0), min(u + 2, width)):
            ways[y - v + 1, x - u + 1] = live[y, x] and not _apart(xyz, sigma, v, u, y, x, slope2)
    for y in range(max(v - reach, 0), min(v + reach + 1, height)):
        for x in range(max(u - reach, 0), min(u + reach + 1, width)):
            if not live[y, x] or not ways[np.sign(y - v) + 1, np.sign(x - u) + 1]:
                continue
            if _apart(xyz, sigma, v, u, y, x, slope2):
                continue
            _terms(xyz[y, 3 * x : 3 * x + 3], sigma[y, x : x + 1], live[y, x : x + 1], middle, terms)
            for k in range(SUMS):
                sums[k] += terms[k, 0]


@kernel()
def _solve_row(
    xyz: Image, sigma: Image, live: Image, v: int, reach: int, slope2: float,
    middle: tuple[float, float, float], total: Image, normals: Image,
) -> None:  # fmt: skip
    sums = np.empty(SUMS, np.float64)
    for u in range(live.shape[1]):
        normals[3 * u : 3 * u + 3] = np.nan
        if not live[v, u]:
            continue
        for k in range(SUMS):
            sums[k] = total[k, u]
        a, b, c, misfit = _plane(sums)
        if misfit > _BENT:  # a step or a sharp ridge: only the pixels on this one's surface
            _gather(xyz, sigma, live, v, u, reach, slope2, middle, sums)
            a, b, c, _ = _plane(sums)
        c += middle[2] - a * middle[0] - b * middle[1]
        over = -1.0 / math.sqrt(a * a + b * b + c * c)
        normals[3 * u] = a * over
        normals[3 * u + 1] = b * over
        normals[3 * u + 2] = c * over


@kernel()
def fit_normals(
    xyz: Image, sigma: Image, live: Image, reach: int, slope2: float, middle: tuple[float, float, float],
    normals: Image, first: int, end: int,
) -> None:  # fmt: skip
    """Unit normals towards the head of rows `first` … `end`, NaN where there is no plane.

    `xyz` and `normals` are (H, 3 W).
    """
    height, width = live.shape
    rows = 2 * reach + 1
    kept = np.zeros((rows, SUMS, width), np.float64)
    terms = np.empty((SUMS, width), np.float64)
    total = np.empty((SUMS, width), np.float64)
    for r in range(first - reach, end + reach):
        slot = kept[r % rows]
        if 0 <= r < height:
            _terms(xyz[r], sigma[r], live[r], middle, terms)
            _window_row(terms, reach, slot)
        else:
            slot[:] = 0.0
        v = r - reach
        if v < first:
            continue
        total[:] = 0.0
        for k in range(rows):
            for n in range(SUMS):
                _add(total[n], kept[k, n])
        _solve_row(xyz, sigma, live, v, reach, slope2, middle, total, normals[v])
