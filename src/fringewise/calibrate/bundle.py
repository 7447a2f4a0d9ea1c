"""Bundle adjustment of head, target poses and the target's own shape over all that was seen.

Unknown are the head's parameters θ, a pose for each view, the coefficients of the target's smooth modes and a
place of its own for each of the target's points. The residuals of one point in one view are those of its pixel,
(u, v) − (û, v̂), and of its pattern coordinates at the pixel where it should be, c + ∇c·(û − u) − ĉ: the phase
is a map over the image, so an error of finding a point does not count twice. Points couple only to what all
share, so their 3 × 3 blocks are eliminated first (Schur complement).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_factor, cho_solve

from fringewise.calibrate.projection import Projection, lit_by_projector, seen_by_camera
from fringewise.calibrate.start import TargetPose
from fringewise.calibrate.target import ShapePrior
from fringewise.calibrate.views import Coordinate, TargetView
from fringewise.capture.head import Head, moved_by, rotation_from_vector
from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable

BoolArray = npt.NDArray[np.bool_]
Scales = tuple[float, float, float]

GROUPS: Final = ("camera", "columns", "rows")
"""Kinds of residuals; each is scaled by its own scatter."""

HUBER: Final = 2.0
"""While nothing is known of outliers, residuals beyond this many standard deviations pull as if they lay there."""

OUTLIER: Final = 5.0
"""Residuals beyond this many standard deviations of their own kind are left out."""

_STEPS: Final = 60
_SETTLED: Final = 1e-9
_SETTLED_ROUGHLY: Final = 1e-3
_NORMAL_SCATTER: Final = 1.4826
_MOST_DAMPING: Final = 1e12


@dataclass(frozen=True, slots=True)
class Held:
    """What is known of the head's parameters beforehand: each is near a value, within a standard deviation."""

    names: tuple[str, ...]
    values: Array
    sigma: Array


@dataclass(frozen=True, slots=True)
class State:
    """Everything that the adjustment searches for.

    Attributes
    ----------
    head : Head
    poses : tuple of TargetPose
    bend : (Q,) array
        Coefficients of the target's modes.
    single_mm : (N, 3) array
        Each point's own place off the modes' sum.
    """

    head: Head
    poses: tuple[TargetPose, ...]
    bend: Array
    single_mm: Array


@dataclass(frozen=True, slots=True)
class Residual:
    """One row a scalar residual, normalised: which view, point and group it belongs to."""

    view: npt.NDArray[np.intp]
    point: npt.NDArray[np.intp]
    group: npt.NDArray[np.intp]
    axis: npt.NDArray[np.intp]
    sigma: Array
    values: Array


@dataclass(frozen=True, slots=True)
class Adjusted:
    """The answer of a bundle adjustment.

    Attributes
    ----------
    state : State
    residual : Residual
        In units of its stated standard deviation times its group's scale.
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
    scales: Scales = (1.0, 1.0, 1.0),
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
    scales : (float, float, float)
        Factors on the stated standard deviations of `GROUPS`.
    kept : (R,) of bool, optional
        Which residuals count. Absent: all, by Huber's function, and only roughly: for finding outliers.

    Raises
    ------
    NotMeasurable
        Where it does not settle.
    """
    problem = _Problem(tuple(views), nominal_mm, prior, held, scales, kept)
    state, damping = start, 1e-4
    rows = problem.rows(state)
    settled = _SETTLED if kept is not None else _SETTLED_ROUGHLY
    if rows is None:
        raise NotMeasurable("the first values of the adjustment put the target behind the head")
    for _ in range(_STEPS):
        system = problem.system(rows, state)
        while True:
            step = system.step(damping)
            moved = problem.moved(state, step)
            found = problem.rows(moved) if moved is not None else None
            if found is not None and found.cost <= rows.cost * (1 + 1e-12):
                break
            damping *= 10
            if damping > _MOST_DAMPING:
                return problem.answer(state, rows)
        assert moved is not None
        gain = rows.cost - found.cost
        state, rows, damping = moved, found, max(damping / 10, 1e-12)
        if gain <= settled * rows.cost:
            return problem.answer(state, rows)
    raise NotMeasurable(
        "the adjustment of head and target does not settle: look at the pictures of the grid that was found,"
        " leave out captures where it is wrong, and add captures with other tilts and distances"
    )


@dataclass(frozen=True, slots=True)
class _Rows:
    """Residuals and their derivatives: by what all share (R, M) and by the point's own place (R, 3)."""

    residual: Residual
    shared: Array
    own: Array
    known: Array
    cost: float


@dataclass(frozen=True, slots=True)
class _System:
    """Normal equations with the points' own places eliminated."""

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

    @property
    def size(self) -> tuple[int, int, int]:
        """Numbers of head parameters, modes, and pose unknowns."""
        return len(self.held.names), len(self.prior.modes), 6 * len(self.views)

    def rows(self, state: State) -> _Rows | None:
        p, q, k = self.size
        places = self.places(state)
        parts = []
        for n, view in enumerate(self.views):
            made = self._view_rows(n, view, state, places)
            if made is None:
                return None
            parts.append(made)
        residual = Residual(*(np.concatenate([getattr(one[0], f) for one in parts]) for f in _FIELDS))
        total = len(residual.values)
        shared = np.zeros((total, p + q + k))
        shared[:, : p + q] = np.concatenate([one[1] for one in parts])
        top = 0
        for n, one in enumerate(parts):
            bottom = top + len(one[2])
            shared[top:bottom, p + q + 6 * n : p + q + 6 * n + 6] = one[2]
            top = bottom
        own = np.concatenate([one[3] for one in parts])
        known = (_known_values(state.head, self.held) - self.held.values) / self.held.sigma
        cost = self.loss(residual.values) + float(known @ known) + float(state.bend @ state.bend)
        cost += float(np.sum((state.single_mm / self.prior.single_mm) ** 2))
        return _Rows(residual, shared, own, known, cost) if np.isfinite(cost) else None

    def loss(self, values: Array) -> float:
        if self.kept is not None:
            return float(np.sum(values[self.kept] ** 2))
        size = np.abs(values)
        return float(np.sum(np.where(size <= HUBER, size**2, HUBER * (2 * size - HUBER))))

    def weights(self, values: Array) -> Array:
        if self.kept is not None:
            return self.kept.astype(np.float64)
        return np.asarray(HUBER / np.maximum(np.abs(values), HUBER))

    def places(self, state: State) -> Array:
        """The target's points (N, 3) in its own frame."""
        return np.asarray(
            self.nominal_mm + state.single_mm + np.einsum("q,qni->ni", state.bend, self.prior.modes)
        )

    def _view_rows(
        self, number: int, view: TargetView, state: State, places: Array
    ) -> tuple[Residual, Array, Array, Array] | None:
        pose, names = state.poses[number], self.held.names
        turned = places[view.points] @ pose.rotation.T
        points = turned + pose.translation_mm
        if not np.all(points[:, 2] > 0):
            return None
        seen = seen_by_camera(state.head, points, names)
        parts = [self._camera_part(view, seen)]
        lit = lit_by_projector(state.head, points, names)
        for axis, coordinate in enumerate((view.column, view.row)):
            if coordinate is not None and axis < lit.values.shape[1]:
                parts.append(self._pattern_part(view, coordinate, axis, seen, lit))
        point, group, along, sigma, values, by_point, by_head = (
            np.concatenate([one[n] for one in parts]) for n in range(7)
        )
        by_place = by_point @ pose.rotation
        by_pose = np.hstack([_turned_by(by_point, turned[_position(view.points, point)]), by_point])
        by_bend = np.einsum("ri,qri->rq", by_place, self.prior.modes[:, point])
        residual = Residual(np.full(len(point), number), point, group, along, sigma, values / sigma)
        over = 1 / sigma[:, None]
        return residual, np.hstack([by_head, by_bend]) * over, by_pose * over, by_place * over

    def _camera_part(self, view: TargetView, seen: Projection) -> tuple[Array, ...]:
        n = len(view.points)
        left = (view.pixels - seen.values).ravel()
        sigma = np.repeat(view.sigma_px, 2) * self.scales[0]
        point, along = np.repeat(view.points, 2), np.tile([0, 1], n)
        group = np.zeros(2 * n, dtype=np.intp)
        p = seen.by_parameter.shape[2]
        return (
            point,
            group,
            along,
            sigma,
            left,
            seen.by_point.reshape(-1, 3),
            seen.by_parameter.reshape(-1, p),
        )

    def _pattern_part(
        self, view: TargetView, read: Coordinate, axis: int, seen: Projection, lit: Projection
    ) -> tuple[Array, ...]:
        used = np.isfinite(read.values)
        slope = read.slope[used]
        moved = seen.values[used] - view.pixels[used]
        left = read.values[used] + np.einsum("nm,nm->n", slope, moved) - lit.values[used, axis]
        by_point = lit.by_point[used, axis] - np.einsum("nm,nmi->ni", slope, seen.by_point[used])
        by_head = lit.by_parameter[used, axis] - np.einsum("nm,nmp->np", slope, seen.by_parameter[used])
        point = view.points[used]
        group, along = np.full(len(point), 1 + axis), np.zeros(len(point), dtype=np.intp)
        sigma = read.sigma[used] * self.scales[1 + axis]
        return point, group, along, sigma, left, by_point, by_head

    def system(self, rows: _Rows, state: State) -> _System:
        p, q, _ = self.size
        root = np.sqrt(self.weights(rows.residual.values))[:, None]
        shared, own, left = rows.shared * root, rows.own * root, rows.residual.values * root[:, 0]
        reduced, right = shared.T @ shared, shared.T @ left
        at = np.arange(p + q)
        reduced[at[:p], at[:p]] += 1 / self.held.sigma**2
        right[:p] -= rows.known / self.held.sigma
        reduced[at[p:], at[p:]] += 1.0
        right[p : p + q] -= state.bend
        coupling, blocks, own_right = self._points(rows.residual.point, shared, own, left)
        blocks[:, range(3), range(3)] += 1 / self.prior.single_mm**2
        own_right = own_right - state.single_mm / self.prior.single_mm**2
        inverse = np.linalg.inv(blocks)
        eliminated = coupling @ inverse
        reduced = reduced - np.tensordot(eliminated, coupling, axes=([0, 2], [0, 2]))
        right = right - np.einsum("jmk,jk->m", eliminated, own_right)
        return _System((reduced + reduced.T) / 2, right, coupling, blocks, own_right)

    def _points(
        self, point: npt.NDArray[np.intp], shared: Array, own: Array, left: Array
    ) -> tuple[Array, Array, Array]:
        order = np.argsort(point, kind="stable")
        bounds = np.searchsorted(point[order], np.arange(len(self.nominal_mm) + 1))
        coupling = np.zeros((len(self.nominal_mm), shared.shape[1], 3))
        blocks, right = np.zeros((len(self.nominal_mm), 3, 3)), np.zeros((len(self.nominal_mm), 3))
        for j in range(len(self.nominal_mm)):
            at = order[bounds[j] : bounds[j + 1]]
            coupling[j] = shared[at].T @ own[at]
            blocks[j] = own[at].T @ own[at]
            right[j] = own[at].T @ left[at]
        return coupling, blocks, right

    def moved(self, state: State, step: tuple[Array, Array]) -> State | None:
        p, q, _ = self.size
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

    def answer(self, state: State, rows: _Rows) -> Adjusted:
        system = self.system(rows, state)
        scale = np.sqrt(np.diag(system.reduced))
        inverse = np.linalg.inv(system.reduced / np.outer(scale, scale)) / np.outer(scale, scale)
        root = np.sqrt(self.weights(rows.residual.values))[:, None]
        own_inverse = np.linalg.inv(system.own)[rows.residual.point]
        own = rows.own * root
        through = np.einsum("ri,rij->rj", own, own_inverse)
        free = rows.shared * root - np.einsum("rj,rmj->rm", through, system.coupling[rows.residual.point])
        leverage = np.einsum("rj,rj->r", through, own) + np.einsum("rm,rm->r", free @ inverse, free)
        p = self.size[0]
        kept = self.kept if self.kept is not None else np.full(len(leverage), fill_value=True)
        covariance = (inverse[:p, :p] + inverse[:p, :p].T) / 2
        return Adjusted(state, rows.residual, kept, leverage, covariance, rows.cost)


_FIELDS: Final = ("view", "point", "group", "axis", "sigma", "values")


def scales_from(adjusted: Adjusted, scales: Scales, *, robust: bool) -> Scales:
    """Scale each group's standard deviations by what its residuals show beyond what the fit took away.

    `robust` goes by the median of their sizes, for as long as outliers are among them.
    """
    made = list(scales)
    for n in range(len(GROUPS)):
        at = (adjusted.residual.group == n) & adjusted.kept
        freedom = float(np.sum(1 - adjusted.leverage[at]))
        if freedom <= 1:
            continue
        values = adjusted.residual.values[at]
        if robust:
            free_share = freedom / int(at.sum())
            made[n] *= _NORMAL_SCATTER * float(np.median(np.abs(values))) / float(np.sqrt(free_share))
        else:
            made[n] *= float(np.sqrt(np.sum(values**2) / freedom))
    return made[0], made[1], made[2]


def without_outliers(adjusted: Adjusted, before: Scales, after: Scales) -> BoolArray:
    """Say which residuals lie within `OUTLIER` of their group's new scale."""
    change = np.array(after) / np.array(before)
    size = np.abs(adjusted.residual.values) / change[adjusted.residual.group]
    return np.asarray(size <= OUTLIER)


def _known_values(head: Head, held: Held) -> Array:
    return np.array([parameter_value(head, name) for name in held.names])


def parameter_value(head: Head, name: str) -> float:
    """Value of a head's parameter by its name of format 2; a rotation vector counts from where it is: 0."""
    owner, kind, *index = name.split(".")
    if kind == "rotation_vector":
        return 0.0
    if kind == "translation_mm":
        return float(head.projector.translation_mm[int(index[0])])
    lens = head.camera.lens if owner == "camera" else head.projector.lens
    return float(lens.distortion[int(index[0])] if kind == "distortion" else getattr(lens, kind))


def _position(points: npt.NDArray[np.intp], wanted: Array) -> npt.NDArray[np.intp]:
    order = np.argsort(points)
    return np.asarray(order[np.searchsorted(points[order], wanted)])


def _turned_by(by_point: Array, turned: Array) -> Array:
    """Derivative by a rotation vector that turns the pose further: ∂X/∂w = −[X]× (X about the target's origin)."""
    return np.asarray(np.cross(turned, by_point))
