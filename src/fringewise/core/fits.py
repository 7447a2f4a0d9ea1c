"""Least-squares fits of shapes, each with the covariance of what it gives; and the door to all other fits.

Distances are geometric (square to the shape), in whatever unit the points have. Points are finite; `sigma` is
the standard uncertainty of each point square to the shape, or None where it is equal and not known: then the
scatter about the fit stands in. All raise `NotMeasurable` where the points don't settle the shape.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Protocol, TypeVar

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array, shaped
from fringewise.core.ellipses import Ellipse, feet_on_ellipse, fit_ellipse
from fringewise.core.errors import NotMeasurable
from fringewise.core.least_squares import (
    RobustSolution,
    Solution,
    inverse_root,
    root_weights,
    solution_from,
    solve_robust,
    solve_weighted,
    trim,
)
from fringewise.core.nonlinear import fit_nonlinear

__all__ = [
    "Ball",
    "Ellipse",
    "Line",
    "Plane",
    "RobustSolution",
    "Solution",
    "algebraic_ball",
    "feet_on_ellipse",
    "fit_circle",
    "fit_ellipse",
    "fit_line",
    "fit_nonlinear",
    "fit_plane",
    "fit_sphere",
    "fit_trimmed",
    "solve_robust",
    "solve_weighted",
    "trim",
]

_THINNEST: Final = 1e-10
_FLATTEST: Final = 1e5
"""A circle or sphere whose radius is this many times the points' extent can't be told from a flat."""


@dataclass(frozen=True, slots=True)
class Plane:
    """A plane through `centre` (3,), the points' weighted mean, with unit `normal` (3,).

    `covariance` (3, 3) is that of (offset along the normal at the centre, slope along ``across[0]``, slope
    along ``across[1]``), `across` (2, 3) being unit vectors in the plane. `residuals` (N,) are signed.
    """

    centre: Array
    normal: Array
    across: Array
    covariance: Array
    residuals: Array
    degrees_of_freedom: int
    chi2: float

    def distances(self, points: Array) -> Array:
        """Signed distances of points (…, 3), positive on the normal's side."""
        return np.asarray((np.asarray(points) - self.centre) @ self.normal)

    def distance_sigma(self, points: Array) -> Array:
        """Standard uncertainty of the plane's place square to itself beside points (…, 3)."""
        along = (np.asarray(points) - self.centre) @ self.across.T
        row = np.concatenate([np.ones((*along.shape[:-1], 1)), along], axis=-1)
        return np.asarray(np.sqrt(np.einsum("...i,ij,...j->...", row, self.covariance, row)))


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line in space through `centre` (3,) along the unit vector `direction` (3,).

    `covariance` (4, 4) is that of (offset along ``across[0]``, slope towards it, offset along ``across[1]``,
    slope towards it), offsets at the centre. `residuals` (N, 2) are the points' offsets along `across`.
    """

    centre: Array
    direction: Array
    across: Array
    covariance: Array
    residuals: Array
    degrees_of_freedom: int
    chi2: float


@dataclass(frozen=True, slots=True)
class Ball:
    """A circle (2-D) or sphere (3-D): `centre` (D,), `radius`, `covariance` (D + 1, D + 1) of both.

    `residuals` (N,) are radial, positive outside.
    """

    centre: Array
    radius: float
    covariance: Array
    residuals: Array
    degrees_of_freedom: int
    chi2: float


class Fitted(Protocol):
    """Any fitted shape with residuals."""

    @property
    def residuals(self) -> Array:
        """Distances of the points from the shape."""
        ...


Shape = TypeVar("Shape", bound=Fitted)


def fit_plane(points: Array, sigma: npt.ArrayLike | None = None) -> Plane:
    """Fit a plane to points (N, 3); its normal's z is not positive, so that it faces a camera at the origin.

    Examples
    --------
    >>> plane = fit_plane(np.array([[0, 0, 5], [1, 0, 5], [0, 1, 5], [1, 1, 5.0]]), sigma=0.1)
    >>> plane.normal.tolist(), round(float(plane.distance_sigma(plane.centre)), 3)
    ([0.0, 0.0, -1.0], 0.05)
    """
    points = np.asarray(points, dtype=np.float64)
    shaped("points", points, None, 3)
    weight = root_weights(sigma, len(points))
    centre, axes = _principal_axes(points, weight, 2)
    normal = -axes[2] if axes[2, 2] > 0 else axes[2]
    off = points - centre
    residuals = off @ normal
    design: Array = np.column_stack([np.ones(len(points)), off @ axes[:2].T]) * weight[:, None]
    solution = solution_from(
        np.zeros(3),
        inverse_root(design),
        len(points),
        float(np.sum((residuals * weight) ** 2)),
        known=sigma is not None,
    )
    return Plane(
        centre,
        normal + 0.0,
        axes[:2],
        solution.covariance,
        residuals,
        solution.degrees_of_freedom,
        solution.chi2,
    )


def fit_line(points: Array, sigma: npt.ArrayLike | None = None) -> Line:
    """Fit a straight line to points (N, 3) with equal noise in all directions square to it.

    Examples
    --------
    >>> line = fit_line(np.array([[0, 0, 5], [1, 0, 5], [3, 0, 5.0]]), sigma=0.1)
    >>> np.abs(line.direction).tolist(), line.degrees_of_freedom
    ([1.0, 0.0, 0.0], 2)
    """
    points = np.asarray(points, dtype=np.float64)
    shaped("points", points, None, 3)
    weight = root_weights(sigma, len(points))
    centre, axes = _principal_axes(points, weight, 1)
    off = points - centre
    residuals = off @ axes[1:].T
    chi2 = float(np.sum((residuals * weight[:, None]) ** 2))
    half = np.column_stack([np.ones(len(points)), off @ axes[0]]) * weight[:, None]
    inverse = np.kron(np.eye(2), inverse_root(half)).astype(np.float64)
    solution = solution_from(np.zeros(4), inverse, 2 * len(points), chi2, known=sigma is not None)
    return Line(
        centre, axes[0], axes[1:], solution.covariance, residuals, solution.degrees_of_freedom, solution.chi2
    )


def fit_circle(points: Array, sigma: npt.ArrayLike | None = None) -> Ball:
    """Fit a circle to points (N, 2) by their radial distances, started from `algebraic_ball`.

    Examples
    --------
    >>> circle = fit_circle(np.array([[1, 0], [0, 1], [-1, 0], [0, -1.0]]), sigma=0.1)
    >>> round(circle.radius, 9), [round(float(s), 4) for s in np.sqrt(np.diag(circle.covariance))]
    (1.0, [0.0707, 0.0707, 0.05])
    """
    points = np.asarray(points, dtype=np.float64)
    shaped("points", points, None, 2)
    return _fit_ball(points, sigma)


def fit_sphere(points: Array, sigma: npt.ArrayLike | None = None) -> Ball:
    """Fit a sphere of free radius to points (N, 3) by their radial distances.

    Examples
    --------
    >>> corners = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1.0, 1)])
    >>> round(fit_sphere(corners).radius, 6)
    1.732051
    """
    points = np.asarray(points, dtype=np.float64)
    shaped("points", points, None, 3)
    return _fit_ball(points, sigma)


def algebraic_ball(points: Array) -> tuple[Array, float]:
    """Centre and radius from the least algebraic residual: a xᵀx + bᵀx + c with |(a, b, c)| = 1.

    Fast and without a start, but pulled by noise (Gander, Golub and Strebel 1994, BIT 34:558, section 2).
    """
    points = np.asarray(points, dtype=np.float64)
    design = np.column_stack([np.sum(points**2, axis=1), points, np.ones(len(points))])
    u = np.linalg.svd(np.linalg.qr(design, mode="r"))[2][-1]
    if abs(u[0]) <= 1e-14:
        raise NotMeasurable("the points lie on a straight line or plane, not on a circle or sphere")
    centre = -u[1:-1] / (2 * u[0])
    return centre, float(np.sqrt(max(centre @ centre - u[-1] / u[0], 0.0)))


def fit_trimmed(
    fit: Callable[[Array, Array | None], Shape],
    points: Array,
    k: float = 3.0,
    sigma: npt.ArrayLike | None = None,
) -> tuple[Shape, npt.NDArray[np.bool_]]:
    """Fit, drop points beyond k times the RMS of those kept, fit again, until nothing more drops.

    The RMS is of residual / sigma where a sigma is given. A dropped point does not come back.

    Returns
    -------
    shape : the last fit, to the kept points
    kept : (N,) bool

    Examples
    --------
    >>> angle = np.linspace(0, 6, 40)
    >>> points = np.column_stack([np.cos(angle), np.sin(angle)])
    >>> points[7] *= 1.5
    >>> circle, kept = fit_trimmed(fit_circle, points)
    >>> round(circle.radius, 9), np.flatnonzero(~kept).tolist()
    (1.0, [7])
    """
    points = np.asarray(points, dtype=np.float64)
    spread = None if sigma is None else 1.0 / root_weights(sigma, len(points))
    kept = np.ones(len(points), dtype=np.bool_)
    while True:
        part = None if spread is None else spread[kept]
        shape = fit(points[kept], part)
        off = np.linalg.norm(shape.residuals.reshape(len(shape.residuals), -1), axis=1)
        good = trim(off if part is None else off / part, k)
        if good.all():
            return shape, kept
        kept[np.flatnonzero(kept)[~good]] = False


def _principal_axes(points: Array, weight: Array, needed: int) -> tuple[Array, Array]:
    """Weighted mean and principal directions (rows, widest first); `needed` of them must have an extent."""
    centre = np.average(points, axis=0, weights=weight**2)
    triangle = np.linalg.qr((points - centre) * weight[:, None], mode="r")
    _, stretch, axes = np.linalg.svd(triangle, full_matrices=True)
    if len(points) <= needed or not stretch[needed - 1] > _THINNEST * stretch[0]:
        raise NotMeasurable("the points lie so that they don't settle the fit: spread them out more")
    return np.asarray(centre), np.asarray(axes)


def _fit_ball(points: Array, sigma: npt.ArrayLike | None) -> Ball:
    middle = points.mean(axis=0)
    extent = float(np.sqrt(np.mean(np.sum((points - middle) ** 2, axis=1))))
    if len(points) <= points.shape[1] or extent == 0:
        raise NotMeasurable("too few points for a circle or sphere")
    near = (points - middle) / extent  # so that the start and the steps don't depend on place and size
    centre, radius = algebraic_ball(near)

    def residuals(p: Array) -> Array:
        return np.asarray(np.linalg.norm(near - p[:-1], axis=1) - p[-1])

    def jacobian(p: Array) -> Array:
        off = near - p[:-1]
        length = np.maximum(np.linalg.norm(off, axis=1), 1e-300)
        return np.column_stack([-off / length[:, None], -np.ones(len(near))])

    spread = None if sigma is None else np.asarray(sigma, dtype=np.float64) / extent
    found = fit_nonlinear(residuals, [*centre, radius], jacobian, spread)
    if abs(found.coefficients[-1]) > _FLATTEST:
        raise NotMeasurable("the points are as good as flat: they don't tell a radius")
    return Ball(
        middle + extent * found.coefficients[:-1],
        extent * float(found.coefficients[-1]),
        found.covariance * extent**2,
        residuals(found.coefficients) * extent,
        found.degrees_of_freedom,
        found.chi2 if sigma is not None else found.chi2 * extent**2,
    )
