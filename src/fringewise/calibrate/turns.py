"""Which way round a symmetric target lay in each view.

Half a turn of a checkerboard or of dots looks the same. Every target is a little uneven, though, and the same
points must be off in the same way in all views: a view counted from the wrong end makes the fit worse.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final

from fringewise.calibrate.target import Target
from fringewise.calibrate.views import TargetView

WORSE: Final = 25.0
"""A turn is taken when it lowers the sum of squares by more: chance does so once in two million."""


def turn_view(view: TargetView, target: Target) -> TargetView:
    """Count the target's points from its other end."""
    return replace(view, points=target.count - 1 - view.points)


def settle_turns(
    views: Sequence[TargetView], target: Target, cost: Callable[[Sequence[TargetView]], float]
) -> tuple[TargetView, ...]:
    """Turn those views whose points fit the others better when counted from the other end.

    Parameters
    ----------
    views : sequence of TargetView
    target : Target
        One that counts as exact shows no difference; all views then stay as they are.
    cost : callable
        Sum of squares of a calibration from views.
    """
    settled = list(views)
    open_ones = [n for n, view in enumerate(views) if not view.sure_of_ends]
    uneven = target.flatness_mm or target.corner_uncertainty_mm
    if len(open_ones) < 2 or len(views) < 3 or not uneven:
        return tuple(settled)
    least = cost(settled)
    for _ in range(len(open_ones)):
        tried = {}
        for n in open_ones:
            other = [turn_view(view, target) if m == n else view for m, view in enumerate(settled)]
            tried[n] = cost(other)
        best = min(tried, key=lambda n: tried[n])
        if least - tried[best] < WORSE:
            break
        settled[best], least = turn_view(settled[best], target), tried[best]
    return tuple(settled)
