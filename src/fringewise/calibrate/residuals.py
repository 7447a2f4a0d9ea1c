"""Residuals of all that was seen of a target, and how they change with everything that is searched for.

The residuals of one point in one view are those of its pixel, (u, v) − (û, v̂), and of its pattern
coordinates at the pixel where it should be, c + ∇c·(û − u) − ĉ: the phase is a map over the image, so
an error of finding a point does not count twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.calibrate.projection import Projection, lit_by_projector, seen_by_camera
from fringewise.calibrate.start import TargetPose
from fringewise.calibrate.target import ShapePrior
from fringewise.calibrate.views import Coordinate, IndexArray, TargetView
from fringewise.capture.head import Head
from fringewise.core.checks import Array

BoolArray = npt.NDArray[np.bool_]
Scales = Array
"""Factors on stated standard deviations (V, 3), for each view and each of `GROUPS`."""

GROUPS: Final = ("camera", "columns", "rows")
"""Kinds of residuals; each is scaled by its own scatter."""


@dataclass(frozen=True, slots=True)
class Held:
    """What is known of the head's parameters beforehand: each near a value, within a standard deviation."""

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
    """One row a scalar residual: its view, its point, its group (of `GROUPS`), u or v for the camera's.

    `values` are in units of `sigma`, the stated standard deviation times the group's scale.
    """

    view: IndexArray
    point: IndexArray
    group: IndexArray
    axis: IndexArray
    sigma: Array
    values: Array


@dataclass(frozen=True, slots=True)
class Rows:
    """Residuals and the model's derivatives, in units of each residual's sigma.

    Attributes
    ----------
    residual : Residual
    shared : (R, M) array
        By the head's parameters, the modes, and each view's pose (turn and shift).
    own : (R, 3) array
        By the point's own place on the target.
    """

    residual: Residual
    shared: Array
    own: Array


@dataclass(frozen=True, slots=True)
class _Part:
    """Residuals of one group in one view, not yet divided by sigma."""

    at: IndexArray  # position of the point in the view
    group: int
    axis: IndexArray
    sigma: Array
    left: Array
    by_point: Array  # (R, 3), by the point in the camera frame
    by_head: Array  # (R, P)


def places_of(state: State, nominal_mm: Array, prior: ShapePrior) -> Array:
    """The target's points (N, 3) in its own frame."""
    return np.asarray(nominal_mm + state.single_mm + np.einsum("q,qni->ni", state.bend, prior.modes))


def rows_of(
    views: Sequence[TargetView],
    nominal_mm: Array,
    prior: ShapePrior,
    names: tuple[str, ...],
    state: State,
    scales: Scales,
) -> Rows | None:
    """Make all rows; None where a point would lie behind the camera.

    Parameters
    ----------
    names : tuple of str
        The head's free parameters.
    scales : (V, 3) array
        Factors on the stated standard deviations, for each view and each of `GROUPS`.
    """
    places = places_of(state, nominal_mm, prior)
    made, shared = [], []
    width = len(names) + len(prior.modes) + 6 * len(views)
    for number, view in enumerate(views):
        points = state.poses[number].to_camera(places[view.points])
        if not np.all(points[:, 2] > 0):
            return None
        parts = _parts(view, points, state.head, names, scales[number])
        rows, own_shared, by_pose = _view_rows(number, view, points, state.poses[number], parts, prior)
        wide = np.zeros((len(by_pose), width))
        wide[:, : own_shared.shape[1]] = own_shared
        first = own_shared.shape[1] + 6 * number
        wide[:, first : first + 6] = by_pose
        made.append(rows)
        shared.append(wide)
    fields = ("view", "point", "group", "axis", "sigma", "values")
    residual = Residual(*(np.concatenate([getattr(one[0], name) for one in made]) for name in fields))
    return Rows(residual, np.concatenate(shared), np.concatenate([one[1] for one in made]))


def _parts(
    view: TargetView, points: Array, head: Head, names: tuple[str, ...], scales: Scales
) -> list[_Part]:
    seen = seen_by_camera(head, points, names)
    lit = lit_by_projector(head, points, names)
    parts = [_camera_part(view, seen, scales[0])]
    for axis, read in enumerate((view.column, view.row)):
        if read is not None and axis < lit.values.shape[1]:
            parts.append(_pattern_part(view, read, axis, seen, lit, scales[1 + axis]))
    return parts


def _camera_part(view: TargetView, seen: Projection, scale: float) -> _Part:
    n, p = len(view.points), seen.by_parameter.shape[2]
    return _Part(
        np.repeat(np.arange(n), 2),
        0,
        np.tile([0, 1], n),
        np.repeat(view.sigma_px, 2) * scale,
        (view.pixels - seen.values).ravel(),
        seen.by_point.reshape(-1, 3),
        seen.by_parameter.reshape(-1, p),
    )


def _pattern_part(
    view: TargetView, read: Coordinate, axis: int, seen: Projection, lit: Projection, scale: float
) -> _Part:
    used = np.flatnonzero(np.isfinite(read.values))
    slope = read.slope[used]
    moved = seen.values[used] - view.pixels[used]
    return _Part(
        used,
        1 + axis,
        np.zeros(len(used), dtype=np.intp),
        read.sigma[used] * scale,
        read.values[used] + np.einsum("nm,nm->n", slope, moved) - lit.values[used, axis],
        lit.by_point[used, axis] - np.einsum("nm,nmi->ni", slope, seen.by_point[used]),
        lit.by_parameter[used, axis] - np.einsum("nm,nmp->np", slope, seen.by_parameter[used]),
    )


def _view_rows(
    number: int, view: TargetView, points: Array, pose: TargetPose, parts: list[_Part], prior: ShapePrior
) -> tuple[tuple[Residual, Array], Array, Array]:
    at, axis, sigma, left, by_point, by_head = (
        np.concatenate([getattr(one, name) for one in parts])
        for name in ("at", "axis", "sigma", "left", "by_point", "by_head")
    )
    group = np.concatenate([np.full(len(one.at), one.group) for one in parts])
    point = view.points[at]
    by_place = by_point @ pose.rotation
    by_bend = np.einsum("ri,qri->rq", by_place, prior.modes[:, point])
    turned = points[at] - pose.translation_mm
    by_pose = np.hstack([np.cross(turned, by_point), by_point])  # the turn is about the target's middle
    over = 1 / sigma[:, None]
    residual = Residual(np.full(len(at), number), point, group, axis, sigma, left / sigma)
    return (residual, by_place * over), np.hstack([by_head, by_bend]) * over, by_pose * over
