"""Fits of blurred shapes to a photo's grey levels: where a dot or a corner lies, and how surely.

A shape m runs from 0 to 1 (or −1 to 1) across sharp edges; the lens blurs it, by a Gaussian, together with
light L = l₀ + l₁ x + l₂ y that changes across it. With ``tied`` light the photo is blur(L (1 + κ m)): what
the light does on the metal it does on the mark. Without, blur(L + A m) with a contrast A = a₀ + a₁ x + a₂ y
of its own, which stands gloss but asks for a shape that is large beside its blur. The light's terms are
linear and are solved for at every step (variable projection), so that only place, form, blur and κ are
searched for.

For a Gaussian of variance s² and a linear L, blur(L m) = L blur(m) + s² ∇L·∇blur(m) exactly; without the
last term a slope of the light of 1 % a pixel moves an edge of 1.2 px blur by 0.014 px.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from fringewise.core.checks import Array

Shape = Callable[[Array, Array, Array], Array]
"""Gives the blurred shape at offsets x, y (N,) for (u, v, …, blur): place first, blur last."""

PIXEL_PX: Final = 0.29
"""A pixel's own width as a blur: no photo is sharper, and a shape that were would let its place slip by."""

_STEPS: Final = 40
_SETTLED_PX: Final = 1e-4
_NO_BLUR_PX: Final = 0.03
_DIFFERENCE: Final = 1e-3
_NEIGHBOURS: Final = 4
_RIDGE: Final = 1e-12


@dataclass(frozen=True, slots=True)
class Window:
    """Pixels that a fit looks at: offsets x, y from a middle (N,), their levels, their place in a frame."""

    x: Array
    y: Array
    levels: Array
    rows: npt.NDArray[np.intp]
    columns: npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class LevelFit:
    """A fitted shape.

    Attributes
    ----------
    parameters : (K,) array
        As the shape takes them; for tied light κ follows after the blur.
    covariance : (K, K) array
        Of the parameters, the light being unknown too; it holds for residuals that hang together over a few
        pixels, as texture's do.
    light, contrast : (N,) array
        L and A at the window's pixels (A = κ L for tied light).
    residuals : (N,) array
        Grey levels.
    settled : bool
    """

    parameters: Array
    covariance: Array
    light: Array
    contrast: Array
    residuals: Array
    settled: bool


def disc(x: Array, y: Array, p: Array) -> Array:
    """Blurred filled ellipse: 1 inside, 0 outside; p = (u, v, m, q, s, blur).

    Its outline is (u, v) + S (cos t, sin t) with S = [[m + q, s], [s, m − q]].
    """
    back = np.linalg.inv(np.array([[p[2] + p[3], p[4]], [p[4], p[2] - p[3]]]))
    own = np.stack([x - p[0], y - p[1]], axis=1) @ back
    reach = np.maximum(np.sqrt(np.sum(own * own, axis=1)), 1e-9)
    slope = np.linalg.norm((own / reach[:, None]) @ back, axis=1)
    return np.asarray(ndtr((1 - reach) / (np.maximum(slope, 1e-9) * np.hypot(p[5], PIXEL_PX))))


def saddle(x: Array, y: Array, p: Array) -> Array:
    """Blurred meeting of four squares: −1 to 1; p = (u, v, angle of one line, of the other, blur)."""
    first = (y - p[1]) * np.cos(p[2]) - (x - p[0]) * np.sin(p[2])
    second = (y - p[1]) * np.cos(p[3]) - (x - p[0]) * np.sin(p[3])
    blur = np.hypot(p[4], PIXEL_PX)
    return np.asarray((2 * ndtr(first / blur) - 1) * (2 * ndtr(second / blur) - 1))


def fit_levels(shape: Shape, window: Window, start: Array, *, tied: bool) -> LevelFit:
    """Fit a shape to the window's levels by damped Gauss-Newton steps.

    `start` holds the shape's parameters and, for tied light, κ after them.
    """
    model = _Model(shape, window, tied)
    p, damping, settled = np.array(start, dtype=np.float64), 1e-3, False
    basis, light, residuals = model.solve(p)
    slopes = model.slopes(p, basis, light)
    for _ in range(_STEPS):
        normal = slopes.T @ slopes
        lift = damping * np.diag(np.diag(normal) + _RIDGE * np.trace(normal) + 1e-30)
        step: Array = np.asarray(np.linalg.solve(normal + lift, slopes.T @ residuals))
        new_basis, new_light, left = model.solve(p + step)
        if not left @ left <= residuals @ residuals * (1 + 1e-12):
            damping *= 8
            if damping > 1e6:
                break
            continue
        p, basis, light, residuals = p + step, new_basis, new_light, left
        damping, settled = max(damping / 8, 1e-9), _still(step, p, -2 if tied else -1)
        slopes = model.slopes(p, basis, light)
        if settled:
            break
    bright, contrast = model.light_and_contrast(p, light)
    return LevelFit(p, _covariance(window, slopes, residuals), bright, contrast, residuals, settled)


def _still(step: Array, p: Array, blur_at: int) -> bool:
    """Whether a step moved nothing that counts; the lens's blur may wander where it is next to none."""
    moved = np.abs(step)
    if abs(p[blur_at]) < _NO_BLUR_PX:
        moved[blur_at] = 0.0
    return float(moved.max()) < _SETTLED_PX


@dataclass(frozen=True, slots=True)
class _Model:
    """The photo's model over one window; its linear terms are l₀ l₁ l₂ and, unless tied, a₀ a₁ a₂."""

    shape: Shape
    window: Window
    tied: bool

    def plane(self) -> Array:
        scale = self.reach()
        return np.column_stack([np.ones_like(self.window.x), self.window.x / scale, self.window.y / scale])

    def reach(self) -> float:
        return max(float(np.abs(self.window.x).max()), 1.0)

    def level(self, p: Array) -> Array:
        with np.errstate(all="ignore"):
            level = self.shape(self.window.x, self.window.y, p[:-1] if self.tied else p)
        return level if np.isfinite(level).all() else np.nan_to_num(level)

    def basis(self, p: Array) -> Array:
        plane, moves = self.plane(), np.zeros((2, len(p)))
        moves[0, 0] = moves[1, 1] = _DIFFERENCE
        lit = self.level(p)[:, None] * plane
        blur = p[-2] if self.tied else p[-1]
        for n, move in enumerate(moves, 1):  # the shape's slope is that of moving it the other way
            slope = (self.level(p - move) - self.level(p + move)) / (2 * _DIFFERENCE)
            lit[:, n] += (blur**2 + PIXEL_PX**2) * slope / self.reach()
        return plane + p[-1] * lit if self.tied else np.hstack([plane, lit])

    def solve(self, p: Array) -> tuple[Array, Array, Array]:
        basis = self.basis(p)
        light = _projection(basis, self.window.levels)
        return basis, light, self.window.levels - basis @ light

    def slopes(self, p: Array, basis: Array, light: Array) -> Array:
        """Derivatives of the model by the parameters, less what a change of the light makes up for.

        The small term of light across the blur is taken as fixed: that costs steps, not truth.
        """
        bright, contrast = self.light_and_contrast(p, light)
        level = self.level(p)
        columns = []
        for n in range(len(p) - 1 if self.tied else len(p)):
            step = np.zeros_like(p)
            step[n] = _DIFFERENCE
            columns.append((self.level(p + step) - level) * contrast / _DIFFERENCE)
        if self.tied:
            columns.append(level * bright)
        slopes = np.column_stack(columns)
        return np.asarray(slopes - basis @ _projection(basis, slopes))

    def light_and_contrast(self, p: Array, light: Array) -> tuple[Array, Array]:
        bright = self.plane() @ light[:3]
        return bright, p[-1] * bright if self.tied else self.plane() @ light[3:]


def _projection(basis: Array, values: Array) -> Array:
    scale = np.maximum(np.linalg.norm(basis, axis=0), 1e-12)
    scaled = basis / scale
    normal = scaled.T @ scaled + _RIDGE * np.eye(len(scale))
    found = np.linalg.solve(normal, scaled.T @ values)
    return np.asarray(found / (scale if values.ndim == 1 else scale[:, None]))


def _covariance(window: Window, slopes: Array, residuals: Array) -> Array:
    """Covariance from the residuals' scatter, raised where neighbours' residuals go together.

    The plain one, s² (PᵀP)⁻¹, takes residuals as independent. The sandwich (PᵀP)⁻¹ M (PᵀP)⁻¹, with M the sum
    of Pᵢ rᵢ rⱼ Pⱼ over pixels less than 4 px apart, falling off linearly (Newey and West 1987), does not, but
    scatters itself; the greater one holds for each parameter.
    """
    count, unknowns = slopes.shape
    inverse = np.linalg.pinv(slopes.T @ slopes, hermitian=True)
    freedom = max(count - unknowns - 6, 1)
    plain = inverse * float(residuals @ residuals) / freedom
    height, width = int(window.rows.max()) + 1, int(window.columns.max()) + 1
    pulls = np.zeros((height, width, unknowns))
    pulls[window.rows, window.columns] = slopes * residuals[:, None]
    spread = _near_sums(_near_sums(pulls, 0), 1)
    meat = np.einsum("rck,rcl->kl", pulls, spread) * count / freedom
    sandwich = inverse @ ((meat + meat.T) / 2) @ inverse
    raise_by = np.sqrt(np.maximum(np.diag(sandwich) / np.maximum(np.diag(plain), 1e-300), 1.0))
    return np.asarray(plain * np.outer(raise_by, raise_by))


def _near_sums(values: Array, axis: int) -> Array:
    total = values.copy()
    along = np.moveaxis(total, axis, 0)
    source = np.moveaxis(values, axis, 0)
    for shift in range(1, min(_NEIGHBOURS, len(source))):
        weight = 1 - shift / _NEIGHBOURS
        along[shift:] += weight * source[:-shift]
        along[:-shift] += weight * source[shift:]
    return total
