"""From captures of a target to a calibrated head: the use case on one page."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

from fringewise.calibrate.calibration import Calibration, ImageAndPattern, calibrate_views
from fringewise.calibrate.seeing import view_target
from fringewise.calibrate.start import Pattern
from fringewise.calibrate.target import Target
from fringewise.calibrate.views import TargetView
from fringewise.capture.capture import Capture
from fringewise.capture.head import Head
from fringewise.core.errors import InputRefused, Problem
from fringewise.core.progress import Progress, Silent, steps

_SILENT: Final = Silent()
_SCATTER_SAID: Final = 3.0


@dataclass(frozen=True, slots=True)
class CalibratedHead:
    """A head fit to be written, how it was found, and what a person should know of it.

    Attributes
    ----------
    head : Head
        With its covariance; serial, probes, noise, ripple and working range are those of the captures' head.
    calibration : Calibration
    notes : tuple of str
        In plain words.
    """

    head: Head
    calibration: Calibration
    notes: tuple[str, ...]


def calibrate(
    captures: Iterable[tuple[str, Capture]],
    target: Target,
    *,
    valid_until: date | None = None,
    rows: bool = True,
    count: int = 0,
    progress: Progress = _SILENT,
) -> CalibratedHead:
    """Calibrate a head from captures of a target in several poses.

    Of the captures' own head only the pattern's size, serial number, probes, noise and working range are
    taken; its geometry has no part in it.

    Parameters
    ----------
    captures : iterable of (str, Capture)
        Name and capture; one is held in memory at a time.
    target : Target
    valid_until : date, optional
        Absent: the head's validity is not known.
    rows : bool
        Whether to use fringes across the rows where every capture has them.
    count : int
        How many captures there are, for the progress; 0 where not known.
    progress : Progress

    Raises
    ------
    InputRefused
        Captures of different heads.
    NotMeasurable
        The target is not seen, or the captures don't tell enough; with what to add.
    """
    views, stated = _all_views(captures, target, count, progress, rows=rows)
    first = stated[0][1]
    pattern = Pattern(first.projector.width, first.projector.height)
    sizes = ImageAndPattern(first.camera.width, first.camera.height, pattern)
    made = calibrate_views(views, target, sizes, serial=first.serial, progress=progress)
    head = replace(
        first,
        camera=made.head.camera,
        projector=made.head.projector,
        covariance=made.head.covariance,
        calibrated_on=max(day for _, _, day in stated),
        valid_until=valid_until,
    )
    return CalibratedHead(head, made, tuple(_notes(made)))


def _all_views(
    captures: Iterable[tuple[str, Capture]], target: Target, count: int, progress: Progress, *, rows: bool
) -> tuple[list[TargetView], list[tuple[str, Head, date]]]:
    views: list[TargetView] = []
    stated: list[tuple[str, Head, date]] = []
    for name, capture in steps(captures, "finding the target", progress, count):
        if capture.head is None or not capture.column_sets:
            raise InputRefused(
                [Problem(name, "fringe_sets", "must hold fringes across the columns, and a head")]
            )
        stated.append((name, capture.head, capture.captured_at.date()))
        _refuse_other_head(stated)
        views.append(view_target(capture, target, name, rows=rows))
    if not stated:
        raise InputRefused([Problem("calibrate", "", "needs captures of the target")])
    return views, stated


def _refuse_other_head(stated: list[tuple[str, Head, date]]) -> None:
    first, (name, head, _) = stated[0][1], stated[-1]
    same = {
        "serial": (head.serial, first.serial),
        "camera": ((head.camera.width, head.camera.height), (first.camera.width, first.camera.height)),
        "projector": (
            (head.projector.width, head.projector.height),
            (first.projector.width, first.projector.height),
        ),
    }
    problems = [
        Problem(name, f"head: {part}", f"must be that of {stated[0][0]}: {wanted}", str(found))
        for part, (found, wanted) in same.items()
        if found != wanted
    ]
    if problems:
        raise InputRefused(problems)


def _notes(made: Calibration) -> Iterable[str]:
    target = made.target
    if target.corner_uncertainty_mm is None:
        yield "the target states no uncertainty of single corners: they counted as exact"
    if target.flatness_mm is None:
        yield "the target states no flatness: it counted as flat"
    if target.pitch_uncertainty_mm == 0:
        yield "the target's pitch counted as exact: all sizes carry its error unseen"
    if any(view.row is not None for view in made.views) and made.head.projector.height is None:
        yield "fringes across the rows were left out: not every capture has them"
    for group, scale in made.scales.items():
        if scale > _SCATTER_SAID:
            yield (
                f"{group} scatter {scale:.1f} times as much as their noise: the head or the target moved"
                " between the frames, the camera's response is not straight, or the target is worse than"
                " stated"
            )
    dropped = int((~made.adjusted.kept).sum())
    if dropped:
        yield f"{dropped} of {made.adjusted.kept.size} values stood out too far and were left out"
    yield from made.advice
