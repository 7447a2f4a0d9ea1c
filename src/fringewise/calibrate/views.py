"""What one capture of the target gives: where its points are seen, and which pattern columns fall on them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array, frozen, shaped

IndexArray = npt.NDArray[np.intp]

_LEAST_POINTS = 8
_SLOPE_NEIGHBOURS = 9


@dataclass(frozen=True, slots=True)
class Coordinate:
    """One pattern coordinate (column or row, shares 0 … 1) on the points of a view.

    Attributes
    ----------
    values : (n,) array
        NaN where it could not be read.
    sigma : (n,) array
        Standard uncertainty of the coordinate of the place seen, the place itself held.
    slope : (n, 2) array
        How it changes with u and v, a pixel: a point found a little off has the coordinate of where it was
        found.
    """

    values: Array
    sigma: Array
    slope: Array

    def __post_init__(self) -> None:
        n = len(self.values)
        shaped("a coordinate's sigma", self.sigma, n)
        shaped("a coordinate's slope", self.slope, n, 2)
        for name in ("values", "sigma", "slope"):
            object.__setattr__(self, name, frozen(getattr(self, name)))


@dataclass(frozen=True, slots=True)
class TargetView:
    """The target as one capture shows it.

    Attributes
    ----------
    name : str
        What the capture is called in messages.
    points : (n,) of int
        Which of the target's points (row by row) are seen.
    pixels : (n, 2) array
        Where, px.
    sigma_px : (n,) array
        Standard uncertainty in u and in v.
    column : Coordinate
    row : Coordinate, optional
    outlines : (n, 3) array, optional
        For dots: (m, q, s) of each, as in `fringewise.calibrate.features.Feature`; with them the dots' own
        centres are found, which lie a little beside the middles of their ellipses.
    sure_of_ends : bool
        Whether the numbers of the points are certain; otherwise half a turn may have been taken.
    """

    name: str
    points: IndexArray
    pixels: Array
    sigma_px: Array
    column: Coordinate
    row: Coordinate | None = None
    outlines: Array | None = None
    sure_of_ends: bool = True

    def __post_init__(self) -> None:
        n = len(self.points)
        shaped("pixels", self.pixels, n, 2)
        shaped("sigma_px", self.sigma_px, n)
        if n < _LEAST_POINTS:
            raise ValueError(f"a view needs {_LEAST_POINTS} points or more (found {n})")
        if len(np.unique(self.points)) != n:
            raise ValueError("a view names each point of the target once")
        for part in (self.column, self.row):
            if part is not None:
                shaped("a coordinate", part.values, n)


def view_of_coordinates(
    name: str,
    points: npt.ArrayLike,
    pixels: npt.ArrayLike,
    pattern: npt.ArrayLike,
    *,
    sigma_px: float,
    sigma_pattern: float | tuple[float, float],
) -> TargetView:
    """Make a view of coordinates found elsewhere.

    How the pattern's coordinates change from pixel to pixel is taken from each point's nearest neighbours.

    Parameters
    ----------
    points : (n,) of int
        Which of the target's points, row by row.
    pixels : (n, 2)
    pattern : (n,) or (n, 1) or (n, 2)
        Pattern columns, or columns and rows, as shares 0 … 1.
    sigma_px, sigma_pattern : float
        Standard uncertainties; the pattern's for columns and rows alike, or one for each. Each kind is raised
        to what its residuals show, never lowered.

    Examples
    --------
    >>> v, u = np.mgrid[:3, :4]
    >>> seen = np.column_stack([u.ravel(), v.ravel()]) * 40.0
    >>> lit = seen[:, 0] / 1e3
    >>> view = view_of_coordinates("pose 1", np.arange(12), seen, lit, sigma_px=0.1, sigma_pattern=1e-4)
    >>> round(float(view.column.slope[0, 0]), 6)
    0.001
    """
    seen = np.asarray(pixels, dtype=np.float64)
    values = np.asarray(pattern, dtype=np.float64).reshape(len(seen), -1)
    sigmas = np.broadcast_to(np.asarray(sigma_pattern, dtype=np.float64), (2,))
    made = [
        Coordinate(values[:, n], np.full(len(seen), sigmas[n]), _slopes(seen, values[:, n]))
        for n in range(values.shape[1])
    ]
    return TargetView(
        name,
        np.asarray(points, dtype=np.intp),
        seen,
        np.full(len(seen), float(sigma_px)),
        made[0],
        made[1] if len(made) > 1 else None,
    )


def _slopes(seen: Array, values: Array) -> Array:
    made = np.zeros_like(seen)
    for n, place in enumerate(seen):
        near = np.argsort(np.hypot(*(seen - place).T))[:_SLOPE_NEIGHBOURS]
        design = np.column_stack([np.ones(len(near)), seen[near] - place])
        made[n] = np.linalg.lstsq(design, values[near], rcond=None)[0][1:]
    return made
