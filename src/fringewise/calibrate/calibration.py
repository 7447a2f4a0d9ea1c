"""A head from views of a target: first values, adjustment, scatter of each kind of residual, covariance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.calibrate.bundle import Adjusted, adjust, scales_from, without_outliers
from fringewise.calibrate.freedom import USUAL, Habits, carried_by_data, free_parameters, only
from fringewise.calibrate.residuals import GROUPS, Held, Scales, State
from fringewise.calibrate.seeing import with_own_centres
from fringewise.calibrate.start import Pattern, TargetPose, first_camera, first_pose, first_projector
from fringewise.calibrate.sufficiency import refuse_too_few, refuse_weak
from fringewise.calibrate.target import ShapePrior, Target, shape_prior
from fringewise.calibrate.turns import settle_turns
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
    advice : tuple of str
        Which further captures would tell more.
    """

    head: Head
    target: Target
    views: tuple[TargetView, ...]
    poses: tuple[TargetPose, ...]
    points_mm: Array
    adjusted: Adjusted
    scales: dict[str, float]
    left_open: dict[str, float]
    advice: tuple[str, ...] = ()

    def points_in_camera(self) -> list[Array]:
        """The points seen in each view, as found to lie, in the camera frame (n, 3), mm."""
        return [
            pose.to_camera(self.points_mm[view.points])
            for view, pose in zip(self.views, self.poses, strict=True)
        ]

    def view_rms(self, number: int) -> dict[str, float]:
        """RMS residuals of one view: pixels each way for the camera, shares of the pattern for others."""
        residual = self.adjusted.residual
        made = {}
        for n, group in enumerate(GROUPS):
            at = (residual.view == number) & (residual.group == n) & self.adjusted.kept
            if at.any():
                made[group] = float(np.sqrt(np.mean((residual.values[at] * residual.sigma[at]) ** 2)))
        return made


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

    Nothing of an earlier calibration is used. The target's own shape is estimated along, held by its
    certificate; each kind of residual (pixels, columns, rows) is scaled by its own scatter, so that the
    covariance holds for what the captures show and not only for what was stated.

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
    seen = refuse_too_few(views)
    prior, nominal = shape_prior(target), target.points_mm()
    progress.step("calibrating", 0, _SCALINGS + 3)
    state = _camera_state(seen, target, sizes, habits)
    state = _with_projector(seen, nominal, state, sizes.pattern)
    progress.step("calibrating", 1, _SCALINGS + 3)
    held = free_parameters(state.head, _in_camera(seen, nominal, state), habits)
    seen, state = _settled(seen, target, prior, held, state)
    progress.step("calibrating", 2, _SCALINGS + 3)
    scales = np.ones((len(seen), len(GROUPS)))
    adjusted = adjust(seen, nominal, prior, held, state, scales)
    for n in range(_SCALINGS):
        found = scales_from(adjusted, scales, robust=n == 0)
        kept = without_outliers(adjusted, scales, found)
        scales = found
        adjusted = adjust(seen, nominal, prior, held, adjusted.state, scales, kept)
        progress.step("calibrating", 3 + n, _SCALINGS + 3)
    covariance = CalibrationCovariance(held.names, adjusted.covariance)
    state = adjusted.state
    made = Calibration(
        head=replace(state.head, serial=serial, covariance=covariance),
        target=target,
        views=seen,
        poses=state.poses,
        points_mm=nominal + state.single_mm + np.einsum("q,qni->ni", state.bend, prior.modes),
        adjusted=adjusted,
        scales=_usual(seen, scales),
        left_open=carried_by_data(held, adjusted.covariance),
    )
    return replace(made, advice=refuse_weak(made.head, seen, made.points_in_camera()))


def _camera_state(
    views: tuple[TargetView, ...], target: Target, sizes: ImageAndPattern, habits: Habits
) -> State:
    camera = first_camera(views, target, sizes.width, sizes.height)
    poses = tuple(first_pose(view, target, camera) for view in views)
    nowhere = Projector(Lens(1.0, 1.0, 0.5, 0.0), 1.0, None, np.eye(3), np.array([1.0, 0.0, 0.0]))
    head = Head("not known", camera, nowhere)
    prior, nominal = shape_prior(target), target.points_mm()
    state = State(head, poses, np.zeros(len(prior.modes)), np.zeros_like(nominal))
    held = only(free_parameters(head, _in_camera(views, nominal, state), habits), "camera")
    blind = [replace(view, column=_unread(len(view.points)), row=None) for view in views]
    return adjust(blind, nominal, prior, held, state).state


def _with_projector(views: tuple[TargetView, ...], nominal: Array, state: State, pattern: Pattern) -> State:
    rows = pattern if all(view.row is not None for view in views) else Pattern(pattern.width, None)
    projector = first_projector(views, _in_camera(views, nominal, state), rows)
    return replace(state, head=replace(state.head, projector=projector))


def _settled(
    views: tuple[TargetView, ...], target: Target, prior: ShapePrior, held: Held, state: State
) -> tuple[tuple[TargetView, ...], State]:
    """Settle which way round the target lay, and take dots' own centres for their ellipses' middles."""
    nominal = target.points_mm()
    rough = adjust(views, nominal, prior, held, state)
    ones = np.ones((len(views), len(GROUPS)))
    scales = scales_from(rough, ones, robust=True, each_view=False)

    def start(of: Sequence[TargetView]) -> State:
        poses = tuple(
            pose if view is before else first_pose(view, target, rough.state.head.camera)
            for view, before, pose in zip(of, views, rough.state.poses, strict=True)
        )
        return replace(rough.state, poses=poses)

    def cost(of: Sequence[TargetView]) -> float:
        return adjust(of, nominal, prior, held, start(of), scales).cost

    settled = settle_turns(views, target, cost)
    found = adjust(settled, nominal, prior, held, start(settled), scales).state
    own = [with_own_centres(view, found.head, pose) for view, pose in zip(settled, found.poses, strict=True)]
    return tuple(own), found


def _usual(views: Sequence[TargetView], scales: Scales) -> dict[str, float]:
    rows = any(view.row is not None for view in views)
    found = np.sqrt(np.mean(scales**2, axis=0))
    return {group: float(found[n]) for n, group in enumerate(GROUPS) if rows or group != "rows"}


def _in_camera(views: Sequence[TargetView], nominal: Array, state: State) -> list[Array]:
    return [pose.to_camera(nominal[view.points]) for view, pose in zip(views, state.poses, strict=True)]


def _unread(count: int) -> Coordinate:
    nothing: npt.NDArray[np.float64] = np.full(count, np.nan)
    return Coordinate(nothing, np.ones(count), np.zeros((count, 2)))
