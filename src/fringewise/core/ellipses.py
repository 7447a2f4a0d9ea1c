"""Ellipses in the plane: distance square to one, and the fit with the least squares of those distances.

Inside the fit an ellipse is centre + S (cos t, sin t) with the symmetric S = [[p + q, s], [s, p − q]], which
is as smooth at a circle (q = s = 0) as elsewhere; semi-axes are S's eigenvalues.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array, shaped
from fringewise.core.errors import NotMeasurable
from fringewise.core.nonlinear import fit_nonlinear

_FOOT_STEPS: Final = 100
_LONGEST: Final = 1e5


@dataclass(frozen=True, slots=True)
class Ellipse:
    """An ellipse in the plane: `centre` (2,), `semi_axes` (2,) greater first, `angle_rad` of the greater.

    The angle lies in (−π/2, π/2]. `covariance` (5, 5) is that of (x, y, semi-axes, angle); the angle's rows
    are NaN for a circle. `residuals` (N,) are distances square to the ellipse, positive outside.
    """

    centre: Array
    semi_axes: Array
    angle_rad: float
    covariance: Array
    residuals: Array
    degrees_of_freedom: int
    chi2: float


def fit_ellipse(points: Array, sigma: npt.ArrayLike | None = None) -> Ellipse:
    """Fit an ellipse to points (N, 2) by their distances square to it.

    Started from the direct algebraic fit (Halíř and Flusser 1998), which always gives an ellipse.

    Examples
    --------
    >>> t = np.linspace(0, 6, 12)
    >>> ellipse = fit_ellipse(np.column_stack([1 + 3 * np.cos(t), 2 + np.sin(t)]))
    >>> [round(float(x), 6) for x in (*ellipse.centre, *ellipse.semi_axes)]
    [1.0, 2.0, 3.0, 1.0]
    """
    points = np.asarray(points, dtype=np.float64)
    shaped("points", points, None, 2)
    middle = points.mean(axis=0)
    extent = float(np.sqrt(np.mean(np.sum((points - middle) ** 2, axis=1))))
    if len(points) < 5 or extent == 0:
        raise NotMeasurable("an ellipse needs 5 or more different points")
    near = (points - middle) / extent
    spread = None if sigma is None else np.asarray(sigma, dtype=np.float64) / extent
    found = fit_nonlinear(
        lambda p: _distances(near, p), _direct(near), lambda p: _distance_slopes(near, p), spread
    )
    p = found.coefficients.copy()
    p[2:] *= np.sign(p[2]) or 1.0
    shape, turn = _axes_and_angle(p)
    if not 0 < shape[1] <= shape[0] < _LONGEST:
        raise NotMeasurable("the points don't lie on an ellipse")
    scale = np.array([extent] * 4 + [1.0])
    return Ellipse(
        middle + extent * p[:2],
        extent * shape,
        turn,
        _covariance_of_axes(p, found.covariance) * np.outer(scale, scale),
        extent * _distances(near, p),
        found.degrees_of_freedom,
        found.chi2 if sigma is not None else found.chi2 * extent**2,
    )


def feet_on_ellipse(points: Array, semi_axes: Array) -> Array:
    """Nearest points of the ellipse (x/a)² + (y/b)² = 1, a ≥ b, to points (N, 2) in its own axes.

    The root t > −b² of (a x/(t + a²))² + (b y/(t + b²))² = 1 by Newton's method from below, where the left
    side is convex and so no step goes too far (method: Eberly, Distance from a Point to an Ellipse).
    """
    a, b = float(semi_axes[0]), float(semi_axes[1])
    x = np.maximum(np.abs(points[:, 0]), 1e-12 * a)  # on an axis there are two feet; any one will do
    y = np.maximum(np.abs(points[:, 1]), 1e-12 * a)
    t = np.maximum(a * x - a * a, b * y - b * b)
    for _ in range(_FOOT_STEPS):
        u, v = a * x / (t + a * a), b * y / (t + b * b)
        step = (u * u + v * v - 1) / (2 * (u * u / (t + a * a) + v * v / (t + b * b)))
        t = t + step
        if np.all(np.abs(step) <= 1e-15 * (np.abs(t) + b * b)):
            break
    feet = np.column_stack([a * a * x / (t + a * a), b * b * y / (t + b * b)])
    return np.copysign(feet, points)


def _axes_and_angle(p: Array) -> tuple[Array, float]:
    lean = float(np.hypot(p[3], p[4]))
    turn = 0.5 * float(np.arctan2(p[4], p[3])) if lean else 0.0
    return np.array([p[2] + lean, p[2] - lean]), turn


def _in_own_axes(points: Array, p: Array) -> tuple[Array, Array, Array]:
    axes, turn = _axes_and_angle(p)
    c, s = np.cos(turn), np.sin(turn)
    rotation = np.array([[c, s], [-s, c]])
    return (points - p[:2]) @ rotation.T, np.abs(axes), rotation


def _ordered_feet(own: Array, axes: Array) -> Array:
    if axes[0] >= axes[1]:
        return feet_on_ellipse(own, np.maximum(axes, 1e-9 * axes[0]))
    return feet_on_ellipse(own[:, ::-1], np.maximum(axes[::-1], 1e-9 * axes[1]))[:, ::-1]


def _distances(points: Array, p: Array) -> Array:
    own, axes, _ = _in_own_axes(points, p)
    outside = np.sum((own / np.maximum(axes, 1e-12)) ** 2, axis=1) > 1
    length = np.linalg.norm(own - _ordered_feet(own, axes), axis=1)
    return np.asarray(np.where(outside, length, -length))


def _distance_slopes(points: Array, p: Array) -> Array:
    """Derivatives of the distance: only the foot's movement along the normal counts."""
    own, axes, rotation = _in_own_axes(points, p)
    feet = _ordered_feet(own, axes)
    normal = feet / np.maximum(axes, 1e-12) ** 2
    normal = normal / np.linalg.norm(normal, axis=1)[:, None] @ rotation
    circle = feet @ rotation  # foot from the centre; S⁻¹ of it lies on the unit circle
    shape = np.array([[p[2] + p[3], p[4]], [p[4], p[2] - p[3]]])
    unit = np.linalg.solve(shape, circle.T).T
    moves = np.stack([unit, unit * [1, -1], unit[:, ::-1]], axis=1)  # d S unit / d p, q, s
    return -np.column_stack([normal, np.einsum("nkd,nd->nk", moves, normal)])


def _direct(points: Array) -> Array:
    x, y = points[:, 0], points[:, 1]
    squares, linear = np.column_stack([x * x, x * y, y * y]), np.column_stack([x, y, np.ones_like(x)])
    s1, s2, s3 = squares.T @ squares, squares.T @ linear, linear.T @ linear
    if np.linalg.cond(s3) > 1e12:
        raise NotMeasurable("the points lie on a straight line, not on an ellipse")
    back = -np.linalg.solve(s3, s2.T)
    reduced = s1 + s2 @ back
    reduced = np.array([reduced[2] / 2, -reduced[1], reduced[0] / 2])
    vectors = np.real(np.linalg.eig(reduced)[1])
    positive = 4 * vectors[0] * vectors[2] - vectors[1] ** 2
    quadratic = vectors[:, int(np.argmax(positive))]
    if not positive.max() > 0:
        raise NotMeasurable("the points don't lie on an ellipse")
    return _from_conic(np.concatenate([quadratic, back @ quadratic]))


def _from_conic(conic: Array) -> Array:
    a, b, c, d, e, f = conic
    matrix = np.array([[a, b / 2], [b / 2, c]])
    centre = np.linalg.solve(matrix, [-d / 2, -e / 2])
    level = float(centre @ matrix @ centre) - f
    values, vectors = np.linalg.eigh(matrix / level)
    if not np.all(values > 0):
        raise NotMeasurable("the points don't lie on an ellipse")
    shape = vectors @ np.diag(values**-0.5) @ vectors.T
    return np.array([*centre, (shape[0, 0] + shape[1, 1]) / 2, (shape[0, 0] - shape[1, 1]) / 2, shape[0, 1]])


def _covariance_of_axes(p: Array, covariance: Array) -> Array:
    lean = float(np.hypot(p[3], p[4]))
    if lean <= 1e-12 * abs(p[2]):
        out = np.full((5, 5), np.nan)
        out[:4, :4] = covariance[:4, :4]  # for a circle both semi-axes change with p alone
        out[3, :4], out[:4, 3] = covariance[2, :4], covariance[:4, 2]
        out[3, 3], out[2, 3] = covariance[2, 2], covariance[2, 2]
        out[3, 2] = out[2, 3]
        return out
    c, s = p[3] / lean, p[4] / lean
    turn = np.array(
        [
            [1, 0, 0, 0, 0],
            [0, 1, 0, 0, 0],
            [0, 0, 1, c, s],
            [0, 0, 1, -c, -s],
            [0, 0, 0, -s / (2 * lean), c / (2 * lean)],
        ]
    )
    return np.asarray(turn @ covariance @ turn.T)
