"""The deepest or highest place of a relief, and how much of it is luck.

The greatest of many noisy values is too great. How much, is told by noise put on top of the fitted relief
once and twice: on a peak each dose adds as much as the first, on a flat bottom each adds less, so that the
dose already in the fit is the first one times the ratio of the two. The relief is lowered by that much, and
most of it stays as uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.findings.kind import Look
from fringewise.findings.relief import Relief, window_pixels
from fringewise.sound.shape import normals_on, points_on
from fringewise.sound.smooth import Smooth

BoolArray = npt.NDArray[np.bool_]

_NEWTON_STEPS: Final = 8
_LUCK_DRAWS: Final = 200
_LUCK_PLACES: Final = 1200
_LUCK_SHARE: Final = 0.6
_MOST_RATIO: Final = 1.3
_LUCK_DOUBT: Final = 0.5


@dataclass(frozen=True, slots=True)
class Extremum:
    """The deepest or highest place of a relief: its foot's direction, height, point and foot."""

    x: float
    y: float
    height_mm: float
    point_mm: Array
    foot_mm: Array
    normal: Array

    @property
    def at(self) -> tuple[Array, Array]:
        """Its direction as arrays of one."""
        return np.array([self.x]), np.array([self.y])


def find_extremum(relief: Relief, look: Look, *, sign: float) -> Extremum:
    """Find the deepest (sign -1) or highest (sign +1) place of the smooth relief inside the outline."""
    rows, columns = np.nonzero(relief.window.inside & _near_points(relief))
    x, y = look.rays.direction(*window_pixels(relief.window, rows, columns))
    heights = relief.smooth.values(x, y)
    best = int(np.argmax(sign * heights))
    at_x, at_y = _climbed(relief.smooth, float(x[best]), float(y[best]), sign, _pixel_step(x, y))
    where = np.array([at_x]), np.array([at_y])
    height = float(relief.smooth.values(*where)[0])
    foot = points_on(relief.sheet, *where)[0]
    normal = normals_on(relief.sheet, *where)[0]
    return Extremum(at_x, at_y, height, foot + height * normal, foot, normal)


def _near_points(relief: Relief) -> BoolArray:
    """Pixels of the window with a decoded point within two pixels, where the relief is more than a guess."""
    window = relief.window
    held = np.zeros(window.inside.shape, dtype=bool)
    rows = (relief.points.v - window.first_v).astype(int)
    columns = (relief.points.u - window.first_u).astype(int)
    held[rows, columns] = True
    grown = held.copy()
    for dv in range(-2, 3):
        for du in range(-2, 3):
            grown |= np.roll(held, (dv, du), axis=(0, 1))
    return grown


@dataclass(frozen=True, slots=True)
class Luck:
    """What noise does to an extremum.

    Attributes
    ----------
    share_mm : float
        How much of it is luck, 0 or more.
    doubt : float
        Variance that taking it off leaves, mm².
    spread : float
        Variance of the extremum of the relief, wherever it falls, mm². On a peak it is that of the place; on
        a long flat bottom less, as the greatest of many values scatters less than each.
    """

    share_mm: float
    doubt: float
    spread: float


def luck_of(relief: Relief, look: Look, extremum: Extremum, *, sign: float) -> tuple[float, float]:
    """How much of an extremum is luck (mm, 0 or more), and the variance that its correction leaves (mm²)."""
    found = find_luck(relief, look, extremum, sign=sign)
    return found.share_mm, found.doubt


def find_luck(relief: Relief, look: Look, extremum: Extremum, *, sign: float) -> Luck:
    """Find what noise does to an extremum, from draws on top of the fitted relief."""
    rows, columns = np.nonzero(relief.window.inside)
    x, y = look.rays.direction(*window_pixels(relief.window, rows, columns))
    heights = sign * relief.smooth.values(x, y)
    high = np.flatnonzero(heights > _LUCK_SHARE * abs(extremum.height_mm))
    if len(high) > _LUCK_PLACES:
        high = look.rng.choice(high, _LUCK_PLACES, replace=False)
    if len(high) == 0:
        return Luck(0.0, 0.0, float(relief.smooth.variance(relief.smooth.basis(*extremum.at))[0]))
    basis = relief.smooth.basis(x[high], y[high])
    noise = (relief.smooth.draws(2 * _LUCK_DRAWS, look.rng) - relief.smooth.coefficients) @ basis.T
    one, two = noise[:_LUCK_DRAWS], noise[_LUCK_DRAWS:]
    base = heights[high]
    drawn = np.array([(base + dose).max(axis=1) for dose in (one, -one, two, -two)])
    once, spread = drawn.mean(), float(drawn.var())
    twice = np.mean(
        [(base + a + b).max(axis=1).mean() for a, b in ((one, two), (one, -two), (-one, two), (-one, -two))]
    )
    first, second = float(once - base.max()), float(twice - once)
    if first <= 0 or second <= 0:
        return Luck(max(first, 0.0), first**2, spread)
    luck = first * float(np.clip(first / second, 1.0, _MOST_RATIO))
    return Luck(luck, (_LUCK_DOUBT * luck) ** 2, spread)


def _pixel_step(x: Array, y: Array) -> float:
    return float(np.sqrt(max(np.ptp(x) * np.ptp(y), 1e-18) / max(len(x), 1)))


def _climbed(smooth: Smooth, x: float, y: float, sign: float, pixel: float) -> tuple[float, float]:
    """Climb from the best pixel to the extremum by Newton's method, a pixel and a half away at most."""
    start = np.array([x, y])
    at = start.copy()
    for _ in range(_NEWTON_STEPS):
        where = np.array([at[0]]), np.array([at[1]])
        slope = sign * np.array([smooth.values(*where, d)[0] for d in ((1, 0), (0, 1))])
        xx, xy, yy = (sign * smooth.values(*where, d)[0] for d in ((2, 0), (1, 1), (0, 2)))
        if xx + yy >= 0 or xx * yy - xy * xy <= 0:
            break
        at = at - np.linalg.solve(np.array([[xx, xy], [xy, yy]]), slope)
        if np.abs(at - start).max() > 1.5 * pixel:
            return x, y
    better = sign * float(smooth.values(np.array([at[0]]), np.array([at[1]]))[0])
    return (float(at[0]), float(at[1])) if better >= sign * float(smooth.values(*_one(start))[0]) else (x, y)


def _one(at: Array) -> tuple[Array, Array]:
    return np.array([at[0]]), np.array([at[1]])
