"""Kernels of normals: weighted plane fits in square windows, from sums over the window.

A plane n · X = 1 is straight in inverse depth: 1/z = n · (x, y, 1) on the ray (x, y, 1), whatever the lens.
So the fit is linear, with weights 1/σ² of 1/z, and gives the normal itself, pointing away from the head.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from numba import prange

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
def _gather(
    xyz: Image, sigma: Image, live: Image, v: int, u: int, reach: int, slope2: float,
    middle: tuple[float, float, float], sums: Image,
) -> None:  # fmt: skip
    """Sums over just those pixels of the window that can lie on the middle pixel's surface."""
    x0, y0, s0 = middle
    height, width = live.shape
    z0 = float(xyz[v, 3 * u + 2])
    sums[:] = 0.0
    for j in range(max(v - reach, 0), min(v + reach + 1, height)):
        for i in range(max(u - reach, 0), min(u + reach + 1, width)):
            if not live[j, i]:
                continue
            z = float(xyz[j, 3 * i + 2])
            apart2 = (j - v) * (j - v) + (i - u) * (i - u)
            noise2 = float(sigma[v, u]) ** 2 + float(sigma[j, i]) ** 2
            if (z - z0) * (z - z0) > slope2 * apart2 * z * z0 + 25.0 * noise2:
                continue
            s = 1.0 / z
            x = float(xyz[j, 3 * i]) * s - x0
            y = float(xyz[j, 3 * i + 1]) * s - y0
            doubt = float(sigma[j, i]) * s * s
            w = 1.0 / (doubt * doubt)
            s -= s0
            sums[0] += 1.0
            sums[1] += w
            sums[2] += w * x
            sums[3] += w * y
            sums[4] += w * x * x
            sums[5] += w * x * y
            sums[6] += w * y * y
            sums[7] += w * s
            sums[8] += w * s * x
            sums[9] += w * s * y
            sums[10] += w * s * s


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


@kernel(parallel=True)
def fit_normals(
    xyz: Image, sigma: Image, live: Image, reach: int, slope2: float, middle: tuple[float, float, float],
    normals: Image, bands: int,
) -> None:  # fmt: skip
    """Unit normals towards the head; `xyz` and `normals` (H, 3 W), NaN where there is no plane."""
    height, width = live.shape
    rows = 2 * reach + 1
    for band in prange(bands):
        kept = np.zeros((rows, SUMS, width), np.float64)
        terms = np.empty((SUMS, width), np.float64)
        total = np.empty((SUMS, width), np.float64)
        first = band * height // bands
        last = (band + 1) * height // bands
        for r in range(first - reach, last + reach):
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
