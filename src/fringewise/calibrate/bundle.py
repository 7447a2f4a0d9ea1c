"""Bundle adjustment of head, target poses and the target's own shape over all that was seen.

Unknown are the head's parameters, a pose for each view, the coefficients of the target's smooth modes and a
place of its own for each of the target's points. Points couple only to what all share, so their 3 × 3 blocks
are eliminated first (Schur complement).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from fringewise.calibrate.residuals import GROUPS, BoolArray, Held, Residual, Rows, Scales, State, rows_of
from fringewise.calibrate.start import TargetPose
from fringewise.calibrate.target import ShapePrior
from fringewise.calibrate.views import TargetView
from fringewise.capture.head import Head, moved_by, rotation_from_vector
from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable

HUBER: Final = 2.0
"""While outliers are not known, residuals beyond this many standard deviations pull as if they lay there."""

OUTLIER: Final = 5.0
"""Residuals beyond this many standard deviations of their own kind are left out."""

OWN_FREEDOM: Final = 30.0
"""So many residuals the scatter of all views weighs against a view's own."""

_STEPS: Final = 60
_SETTLED: Final = 1e-9
_SETTLED_ROUGHLY: Final = 1e-3
_NORMAL_SCATTER: Final = 1.4826
_MOST_DAMPING: Final = 1e12


@dataclass(frozen=True, slots=True)
class Adjusted:
    """The answer of a bundle adjustment.

    Attributes
    ----------
    state : State
    residual : Residual
    kept : (R,) of bool
        False for outliers, which had no part in the answer.
    leverage : (R,) array
        Share of each residual's variance that the fit takes away.
    covariance : (P, P) array
        Of the head's parameters, in the order of `Held.names`.
    cost : float
        Sum of the squares, those of what was known beforehand included.
    """

    state: State
    residual: Residual
    kept: BoolArray
    leverage: Array
    covariance: Array
    cost: float


def adjust(
    views: Sequence[TargetView],
    nominal_mm: Array,
    prior: ShapePrior,
    held: Held,
    start: State,
    scales: Scales | None = None,
    kept: BoolArray | None = None,
) -> Adjusted:
    """Adjust all unknowns by damped Gauss-Newton steps.

    Parameters
    ----------
    views : sequence of TargetView
    nominal_mm : (N, 3) array
        The target's points as its certificate places them.
    prior : ShapePrior
    held : Held
        The head's free parameters and what is known of them; all others stay as in `start`.
    start : State
    scales : (V, 3) array, optional
        Factors on the stated standard deviations, for each view and each of `GROUPS`; 1 where absent.
    kept : (R,) of bool, optional
        Which residuals count. Absent: all, by Huber's function, and only roughly: for finding outliers.

    Raises
    ------
    NotMeasurable
        Where it does not settle.
    """
    factors = np.ones((len(views), len(GROUPS))) if scales is None else scales
    problem = _Problem(tuple(views), nominal_mm, prior, held, factors, kept)
    settled = _SETTLED if kept is not None else _SETTLED_ROUGHLY
    state, damping, now = start, 1e-4, problem.judged(start)
    if now is None:
        raise NotMeasurable("the first values of the adjustment put the target behind the head")
    for _ in range(_STEPS):
        system = problem.system(now.rows, state)
        while True:
            moved = problem.moved(state, system.step(damping))
            found = problem.judged(moved) if moved is not None else None
            if found is not None and moved is not None and found.cost <= now.cost * (1 + 1e-12):
                break
            damping *= 10
            if damping > _MOST_DAMPING:
                return problem.answer(state, now)
        gain = now.cost - found.cost
        state, now, damping = moved, found, max(damping / 10, 1e-12)
        if gain <= settled * now.cost:
            return problem.answer(state, now)
    raise NotMeasurable(
        "the adjustment of head and target does not settle: look at the pictures of the grid that was found,"
        " leave out captures where it is wrong, and add captures with other tilts and distances"
    )


def scales_from(adjusted: Adjusted, scales: Scales, *, robust: bool, each_view: bool = True) -> Scales:
    """Scale standard deviations by what the residuals show beyond what the fit took away.

    Each view has its own scatter (focus, light, a target that moved between the frames); it is drawn towards
    that of all views as if they were `OWN_FREEDOM` residuals of its own. All views together are never taken
    to scatter less than was stated: what little is left over may be shared from point to point.

    Parameters
    ----------
    adjusted : Adjusted
    scales : (V, 3) array
        Those that it was adjusted with.
    robust : bool
        Go by the median of the residuals' sizes, for as long as outliers are among them.
    each_view : bool
        False: one scale for all views.
    """
    residual, made = adjusted.residual, scales.copy()
    square = residual.values**2 * (scales[residual.view, residual.group] ** 2)
    for n in range(len(GROUPS)):
        at = (residual.group == n) & adjusted.kept
        usual, freedom = _variance(square[at], adjusted.leverage[at], robust=robust)
        if freedom <= 1 or usual <= 0:
            continue
        for view in range(len(scales)):
            own = at & (residual.view == view)
            found, degrees = _variance(square[own], adjusted.leverage[own], robust=robust)
            if not each_view:
                degrees = 0.0
            drawn = (degrees * found + OWN_FREEDOM * usual) / (degrees + OWN_FREEDOM)
            made[view, n] = np.sqrt(drawn * max(usual, 1.0) / usual)
    return made


def without_outliers(adjusted: Adjusted, before: Scales, after: Scales) -> BoolArray:
    """Say which residuals lie within `OUTLIER` of their new scale."""
    change = (after / before)[adjusted.residual.view, adjusted.residual.group]
    return np.asarray(np.abs(adjusted.residual.values) / change <= OUTLIER)


def _variance(square: Array, leverage: Array, *, robust: bool) -> tuple[float, float]:
    """Variance of residuals in stated units, and its degrees of freedom."""
    freedom = float(np.sum(1 - leverage))
    if freedom <= 1:
        return 0.0, 0.0
    if not robust:
        return float(np.sum(square)) / freedom, freedom
    return _NORMAL_SCATTER**2 * float(np.median(square)) * len(square) / freedom, freedom


def parameter_value(head: Head, name: str) -> float:
    """Value of a head's parameter by its name of format 2; a rotation vector counts from where it is: 0."""
    owner, kind, *index = name.split(".")
    if kind == "rotation_vector":
        return 0.0
    if kind == "translation_mm":
        return float(head.projector.translation_mm[int(index[0])])
    lens = head.camera.lens if owner == "camera" else head.projector.lens
    return float(lens.distortion[int(index[0])] if kind == "distortion" else getattr(lens, kind))


@dataclass(frozen=True, slots=True)
class _Judged:
    rows: Rows
    cost: float


@dataclass(frozen=True, slots=True)
class _System:
    """Normal equations; `reduced` and `right` have the points' own places eliminated."""

    reduced: Array
    right: Array
    coupling: Array  # (N, M, 3)
    own: Array  # (N, 3, 3)
    own_right: Array  # (N, 3)

    def step(self, damping: float) -> tuple[Array, Array]:
        lifted = self.reduced + damping * np.diag(np.diag(self.reduced))
        scale = np.sqrt(np.diag(lifted))
        factor = cho_factor(lifted / np.outer(scale, scale))
        shared = cho_solve(factor, self.right / scale) / scale
        left = self.own_right - np.einsum("jmk,m->jk", self.coupling, shared)
        return shared, np.linalg.solve(self.own, left[..., None])[..., 0]


@dataclass(frozen=True, slots=True)
class _Problem:
    views: tuple[TargetView, ...]
    nominal_mm: Array
    prior: ShapePrior
    held: Held
    scales: Scales
    kept: BoolArray | None

    def judged(self, state: State) -> _Judged | None:
        rows = rows_of(self.views, self.nominal_mm, self.prior, self.held.names, state, self.scales)
        if rows is None:
            return None
        known = self.known(state)
        cost = self.loss(rows.residual.values) + float(known @ known) + float(state.bend @ state.bend)
        cost += float(np.sum((state.single_mm / self.prior.single_mm) ** 2))
        return _Judged(rows, cost) if np.isfinite(cost) else None

    def known(self, state: State) -> Array:
        values = np.array([parameter_value(state.head, name) for name in self.held.names])
        return np.asarray((values - self.held.values) / self.held.sigma)

    def loss(self, values: Array) -> float:
        if self.kept is not None:
            return float(np.sum(values[self.kept] ** 2))
        size = np.abs(values)
        return float(np.sum(np.where(size <= HUBER, size**2, HUBER * (2 * size - HUBER))))

    def weights(self, values: Array) -> Array:
        if self.kept is not None:
            return self.kept.astype(np.float64)
        return np.asarray(HUBER / np.maximum(np.abs(values), HUBER))

    def system(self, rows: Rows, state: State) -> _System:
        p, q = len(self.held.names), len(self.prior.modes)
        root = np.sqrt(self.weights(rows.residual.values))[:, None]
        shared, own, left = rows.shared * root, rows.own * root, rows.residual.values * root[:, 0]
        reduced, right = shared.T @ shared, shared.T @ left
        at = np.arange(p + q)
        reduced[at[:p], at[:p]] += 1 / self.held.sigma**2
        right[:p] -= self.known(state) / self.held.sigma
        reduced[at[p:], at[p:]] += 1.0
        right[p : p + q] -= state.bend
        coupling, blocks, own_right = self._points(rows.residual, shared, own, left)
        blocks[:, range(3), range(3)] += 1 / self.prior.single_mm**2
        own_right = own_right - state.single_mm / self.prior.single_mm**2
        eliminated = coupling @ np.linalg.inv(blocks)
        reduced = reduced - np.tensordot(eliminated, coupling, axes=([0, 2], [0, 2]))
        right = right - np.einsum("jmk,jk->m", eliminated, own_right)
        return _System((reduced + reduced.T) / 2, right, coupling, blocks, own_right)

    def _points(
        self, residual: Residual, shared: Array, own: Array, left: Array
    ) -> tuple[Array, Array, Array]:
        count = len(self.nominal_mm)
        order = np.argsort(residual.point, kind="stable")
        bounds = np.searchsorted(residual.point[order], np.arange(count + 1))
        coupling = np.zeros((count, shared.shape[1], 3))
        blocks, right = np.zeros((count, 3, 3)), np.zeros((count, 3))
        for j in range(count):
            at = order[bounds[j] : bounds[j + 1]]
            coupling[j] = shared[at].T @ own[at]
            blocks[j] = own[at].T @ own[at]
            right[j] = own[at].T @ left[at]
        return coupling, blocks, right

    def moved(self, state: State, step: tuple[Array, Array]) -> State | None:
        p, q = len(self.held.names), len(self.prior.modes)
        shared, own = step
        if not np.all(np.isfinite(shared)):
            return None
        offsets = dict(zip(self.held.names, shared[:p].tolist(), strict=True))
        poses = tuple(
            TargetPose(rotation_from_vector(w[:3]) @ pose.rotation, pose.translation_mm + w[3:])
            for pose, w in zip(state.poses, shared[p + q :].reshape(-1, 6), strict=True)
        )
        try:
            head = moved_by(state.head, offsets)
        except ValueError:  # a step too far, such as a focal length below 0
            return None
        return State(head, poses, state.bend + shared[p : p + q], state.single_mm + own)

    def answer(self, state: State, now: _Judged) -> Adjusted:
        rows, system = now.rows, self.system(now.rows, state)
        scale = np.sqrt(np.diag(system.reduced))
        inverse = np.linalg.inv(system.reduced / np.outer(scale, scale)) / np.outer(scale, scale)
        root = np.sqrt(self.weights(rows.residual.values))[:, None]
        own = rows.own * root
        through = np.einsum("ri,rij->rj", own, np.linalg.inv(system.own)[rows.residual.point])
        free = rows.shared * root - np.einsum("rj,rmj->rm", through, system.coupling[rows.residual.point])
        leverage = np.einsum("rj,rj->r", through, own) + np.einsum("rm,rm->r", free @ inverse, free)
        p = len(self.held.names)
        kept = self.kept if self.kept is not None else np.full(len(leverage), fill_value=True)
        covariance = (inverse[:p, :p] + inverse[:p, :p].T) / 2
        return Adjusted(state, rows.residual, kept, leverage, covariance, now.cost)
