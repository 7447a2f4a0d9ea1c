"""A head from views of a target: first values, bundle adjustment, scatter of each kind of residual, covariance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.calibrate.bundle import GROUPS, Adjusted, Scales, State, adjust, scales_from, without_outliers
from fringewise.calibrate.freedom import USUAL, Habits, carried_by_data, free_parameters, only
from fringewise.calibrate.start import Pattern, TargetPose, first_camera, first_pose, first_projector
from fringewise.calibrate.target import Target, shape_prior
from fringewise.calibrate.views import Coordinate, TargetView
from fringewise.capture.head import CalibrationCovariance, Head, Projector
from fringewise.capture.lens import Lens
from fringewise.core.checks import Array
from fringewise.core.progress import Progress, Silent

_SILENT: Final = Silent()
_SCALINGS: Final = 4


@dataclass(frozen=True, slots=True)
class Calibration:
    """A calibrated head and all that shows how good it is.

    Attributes
    ----------
    head : Head
        With its covariance.
    target : Target
    views : tuple of TargetView
    poses : tuple of TargetPose
    points_mm : (N, 3) array
        The target's points as they were found to lie, in its own frame.
    adjusted : Adjusted
    scales : dict
        For ``camera``, ``columns`` and ``rows``: residual scatter as a multiple of what was stated.
    left_open : dict
        For each parameter that is held, the share of its prior width that the data leave open.
    """

    head: Head
    target: Target
    views: tuple[TargetView, ...]
    poses: tuple[TargetPose, ...]
    points_mm: Array
    adjusted: Adjusted
    scales: dict[str, float]
    left_open: dict[str, float]


@dataclass(frozen=True, slots=True)
class ImageAndPattern:
    """Sizes that the data don't tell: of the image in pixels, of the pattern in the projector's units."""

    width: int
    height: int
    pattern: Pattern


def calibrate_views(
    views: Sequence[TargetView],
    target: Target,
    sizes: ImageAndPattern,
    *,
    serial: str = "not known",
    habits: Habits = USUAL,
    progress: Progress = _SILENT,
) -> Calibration:
    """Calibrate a head from what was found of a target in several captures.

    Nothing of an earlier calibration is used. The target's own shape is estimated along, held by its certificate;
    each kind of residual (pixels, columns, rows) is scaled by its own scatter, so that the covariance holds for
    what the captures show and not only for what was stated.

    Parameters
    ----------
    views : sequence of TargetView
    target : Target
    sizes : ImageAndPattern
    serial : str
        Of the head.
    habits : Habits
        How parameters are held that the data carry badly.
    progress : Progress

    Raises
    ------
    NotMeasurable
        The views don't tell a head, with what to add.
    """
    seen = tuple(views)
    prior, nominal = shape_prior(target), target.points_mm()
    progress.step("calibrating", 0, _SCALINGS + 2)
    state = _camera_state(seen, target, sizes, habits)
    progress.step("calibrating", 1, _SCALINGS + 2)
    state = _with_projector(seen, nominal, state, sizes.pattern)
    held = free_parameters(state.head, seen, _in_camera(seen, nominal, state), habits)
    scales: Scales = (1.0, 1.0, 1.0)
    adjusted = adjust(seen, nominal, prior, held, state, scales)
    for n in range(_SCALINGS):
        found = scales_from(adjusted, scales, robust=n == 0)
        kept = without_outliers(adjusted, scales, found)
        scales = found
        adjusted = adjust(seen, nominal, prior, held, adjusted.state, scales, kept)
        progress.step("calibrating", 2 + n, _SCALINGS + 2)
    progress.step("calibrating", _SCALINGS + 2, _SCALINGS + 2)
    covariance = CalibrationCovariance(held.names, adjusted.covariance)
    state = adjusted.state
    return Calibration(
        head=replace(state.head, serial=serial, covariance=covariance),
        target=target,
        views=seen,
        poses=state.poses,
        points_mm=nominal + state.single_mm + np.einsum("q,qni->ni", state.bend, prior.modes),
        adjusted=adjusted,
        scales=dict(zip(GROUPS, scales, strict=True)),
        left_open=carried_by_data(held, adjusted.covariance),
    )


def _camera_state(
    views: tuple[TargetView, ...], target: Target, sizes: ImageAndPattern, habits: Habits
) -> State:
    camera = first_camera(views, target, sizes.width, sizes.height)
    poses = tuple(first_pose(view, target, camera) for view in views)
    nowhere = Projector(Lens(1.0, 1.0, 0.5, 0.0), 1.0, None, np.eye(3), np.array([1.0, 0.0, 0.0]))
    head = Head("not known", camera, nowhere)
    prior, nominal = shape_prior(target), target.points_mm()
    state = State(head, poses, np.zeros(len(prior.modes)), np.zeros_like(nominal))
    held = only(free_parameters(head, views, _in_camera(views, nominal, state), habits), "camera")
    blind = [replace(view, column=_unread(len(view.points)), row=None) for view in views]
    return adjust(blind, nominal, prior, held, state).state


def _with_projector(views: tuple[TargetView, ...], nominal: Array, state: State, pattern: Pattern) -> State:
    rows = pattern if all(view.row is not None for view in views) else Pattern(pattern.width, None)
    projector = first_projector(views, _in_camera(views, nominal, state), rows)
    return replace(state, head=replace(state.head, projector=projector))


def _in_camera(views: Sequence[TargetView], nominal: Array, state: State) -> list[Array]:
    return [pose.to_camera(nominal[view.points]) for view, pose in zip(views, state.poses, strict=True)]


def _unread(count: int) -> Coordinate:
    nothing: npt.NDArray[np.float64] = np.full(count, np.nan)
    return Coordinate(nothing, np.ones(count), np.zeros((count, 2)))
