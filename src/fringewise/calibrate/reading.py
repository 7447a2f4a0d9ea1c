"""Pattern columns and rows at places of the photo, from the phase by a smooth fit over their surroundings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from fringewise.calibrate.views import Coordinate
from fringewise.capture.capture import Capture, FringeFrames
from fringewise.capture.head import NoiseModel
from fringewise.core.checks import Array
from fringewise.core.flags import usable
from fringewise.phase.ladder import climb
from fringewise.phase.noise import estimate_noise
from fringewise.phase.rows import decode_sets

_LEAST_PIXELS: Final = 24
_UNKNOWNS: Final = 6
_OUTLIER: Final = 4.0
_PASSES: Final = 4
_NORMAL_SCATTER: Final = 1.4826


@dataclass(frozen=True, slots=True)
class PatternMap:
    """A pattern coordinate pixel by pixel (H, W), its noise, and where it may be used."""

    values: Array
    sigma: Array
    usable: np.typing.NDArray[np.bool_]
    mean: Array


def pattern_maps(capture: Capture) -> tuple[PatternMap, PatternMap | None]:
    """Decode a capture's columns, and its rows where it has them, without any use of its head's geometry.

    Pixels at the pattern's rims, where the coarsest fringes repeat, stay unused.
    """
    rows = [replace(one, fringe_set=replace(one.fringe_set, across="columns")) for one in capture.row_sets]
    return _decoded(capture, capture.column_sets), _decoded(capture, rows) if rows else None


def read_coordinate(seen: PatternMap, pixels: Array, reach_px: Array) -> Coordinate:
    """Read a pattern coordinate at places (n, 2) from the pixels within `reach_px` (n,) of each.

    c ≈ a polynomial of second degree in u and v, fitted by weighted least squares; pixels farther off than
    4 times the robust scatter are left out (light that mixes at an edge of black and white, reflections).
    The standard uncertainty is that of the fit, raised by the residuals' scatter where that is greater.
    """
    made = np.full((len(pixels), 4), np.nan)
    for n, (place, reach) in enumerate(zip(pixels, reach_px, strict=True)):
        fit = _local_fit(seen, place, float(reach))
        if fit is not None:
            made[n] = fit
    made[np.isnan(made[:, 1]), 1] = 1.0
    return Coordinate(made[:, 0], made[:, 1], np.nan_to_num(made[:, 2:]))


def _decoded(capture: Capture, sets: Sequence[FringeFrames]) -> PatternMap:
    ladder = climb([one.fringe_set for one in sets])
    noise = _noise(capture) or estimate_noise(sets, ladder, capture.bits)[0]
    decoded = decode_sets(sets, ladder, noise)
    values = decoded.column.astype(np.float64)
    fit = usable(decoded.flags) & np.isfinite(values) & (decoded.sigma > 0)
    return PatternMap(values, decoded.sigma.astype(np.float64), fit, decoded.mean.astype(np.float64))


def _noise(capture: Capture) -> NoiseModel | None:
    return capture.head.noise if capture.head is not None else None


def _local_fit(seen: PatternMap, place: Array, reach: float) -> tuple[float, float, float, float] | None:
    height, width = seen.values.shape
    u0, u1 = max(int(place[0] - reach), 0), min(int(place[0] + reach) + 2, width)
    v0, v1 = max(int(place[1] - reach), 0), min(int(place[1] + reach) + 2, height)
    v, u = np.mgrid[v0:v1, u0:u1]
    x, y = (u - place[0]) / reach, (v - place[1]) / reach
    near = (x * x + y * y <= 1) & seen.usable[v0:v1, u0:u1]
    if near.sum() < _LEAST_PIXELS or not _all_round(x[near], y[near]):
        return None
    x, y = x[near], y[near]
    design = np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
    values, sigma = seen.values[v0:v1, u0:u1][near], seen.sigma[v0:v1, u0:u1][near]
    return _robust_fit(design, values, sigma, reach)


def _robust_fit(
    design: Array, values: Array, sigma: Array, reach: float
) -> tuple[float, float, float, float] | None:
    kept = np.full(len(values), fill_value=True)
    middle = float(np.median(values))
    for _ in range(_PASSES):
        if kept.sum() < _LEAST_PIXELS:
            return None
        weighted = design[kept] / sigma[kept, None]
        inverse = np.linalg.inv(weighted.T @ weighted)
        found = inverse @ (weighted.T @ ((values[kept] - middle) / sigma[kept]))
        left = (values - middle - design @ found) / sigma
        scatter = max(_NORMAL_SCATTER * float(np.median(np.abs(left[kept]))), 1.0)
        fits = np.abs(left) <= _OUTLIER * scatter
        if np.array_equal(fits, kept):
            break
        kept = fits
    spread = max(float(np.sum(left[kept] ** 2)) / max(int(kept.sum()) - _UNKNOWNS, 1), 1.0)
    return middle + found[0], float(np.sqrt(inverse[0, 0] * spread)), found[1] / reach, found[2] / reach


def _all_round(x: Array, y: Array) -> bool:
    """Whether there are pixels on all sides, so that the fit does not only reach out to the place."""
    share = 0.1
    count = len(x)
    return bool(min(np.sum(x < 0), np.sum(x > 0), np.sum(y < 0), np.sum(y > 0)) >= share * count)
