"""The one place where covariances become an uncertainty.

A size's uncertainty is the sum of squares of what its sources add. The calibration's part comes from the
points of the part that the size is taken between: with J = ∂X/∂θ there, g the size's gradient at the points
and C the covariance of the head's parameters, u² = (g J) C (g J)ᵀ. All points share one head, so the cross
terms count. The phase ripple that repeats with the fringe is shared too: it moves a decoded point by ∂X/∂c
times r cos(N 2π f c + ψ)/(2π f) with an unknown ψ, N being the number of shifts, and is counted with the
calibration.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from fringewise.capture.head import Head
from fringewise.core.checks import Array
from fringewise.core.measured import SOURCES, Bound, Contribution, Measured, Source
from fringewise.findings.finding import Finding
from fringewise.surface.jacobian import points_and_jacobian
from fringewise.surface.surface import Surface

NO_CALIBRATION: Final = "calibration: the head gives no covariance"
MOVEMENT: Final = "movement between the frames"


@dataclass(frozen=True, slots=True)
class Touch:
    """Where on the part a size is taken.

    Attributes
    ----------
    points_mm : (K, 3) array
        Points in the camera frame.
    gradient : (K, 3) array
        Derivative of the size by each point.
    decoded : (K,) bool
        Whether the point stands for few decoded pixels (so that the phase ripple acts on it in full) or for a
        sheet through many fringes (where it averages out).
    """

    points_mm: Array
    gradient: Array
    decoded: Array

    @classmethod
    def at(cls, points_mm: Array, gradient: Array, *, decoded: bool) -> Touch:
        """Make a touch whose points are all of one sort."""
        points_mm, gradient = np.atleast_2d(points_mm), np.atleast_2d(gradient)
        return cls(points_mm, gradient, np.full(len(points_mm), decoded))

    def and_at(self, other: Touch) -> Touch:
        """Join two touches of the same size."""
        return Touch(
            np.vstack([self.points_mm, other.points_mm]),
            np.vstack([self.gradient, other.gradient]),
            np.concatenate([self.decoded, other.decoded]),
        )


@dataclass(frozen=True, slots=True)
class Variances:
    """What each source adds to a size's variance, in the square of its unit; calibration comes separately."""

    frame_noise: float = 0.0
    marks: float = 0.0
    restored_metal: float = 0.0
    definition: float = 0.0

    def with_marks(self, marks: float) -> Variances:
        """Give the same with the marks' part set."""
        return replace(self, marks=marks)


def combine(
    name: str, unit: str, value: float, variances: Variances, *, surface: Surface, touch: Touch
) -> Measured:
    """Make a `Measured` from what each source adds.

    Parameters
    ----------
    name, unit, value
        The quantity.
    variances : Variances
    surface : Surface
        Says which head its points share and where its noise comes from.
    touch : Touch
        Where the size is taken, for the calibration's part.
    """
    parts: dict[Source, float] = {
        "frame noise": variances.frame_noise,
        "marks": variances.marks,
        "restored metal": variances.restored_metal,
        "definition": variances.definition,
    }
    shared = shared_parts(surface, touch)
    if shared.calibration:
        parts["calibration"] = shared.calibration
    return measured_from(name, unit, value, parts, shared, surface)


@dataclass(frozen=True, slots=True)
class Shared:
    """What all points of a capture share: the calibration's variance of a size, and what is left out."""

    calibration: float = 0.0
    left_out: tuple[str, ...] = ()


def shared_parts(surface: Surface, touch: Touch) -> Shared:
    """Give the calibration's variance of a size taken at `touch`, and what its uncertainty leaves out."""
    left_out = []
    calibration = calibration_variance(surface, touch)
    if calibration is None:
        left_out.append(NO_CALIBRATION)
        calibration = ripple_variance(surface, touch)
    if surface.motion is not None and surface.motion.moved:
        left_out.append(MOVEMENT)
    return Shared(calibration, tuple(left_out))


def measured_from(
    name: str,
    unit: str,
    value: float,
    parts: Mapping[Source, float],
    shared: Shared,
    surface: Surface | None,
) -> Measured:
    """Make a `Measured` from variances by source, the calibration's among them.

    On a surface made elsewhere the points' noise is what its source states, and is called so.
    """
    own = dict(parts)
    if surface is not None and surface.uncertainty_from == "its source" and "frame noise" in own:
        own["stated by source"] = own.get("stated by source", 0.0) + own.pop("frame noise")
    budget = tuple(
        Contribution(source, math.sqrt(max(own[source], 0.0)))
        for source in SOURCES
        if own.get(source, 0.0) > 0
    )
    return Measured(name, unit, float(value), budget, shared.left_out)


def noise_source(surface: Surface) -> Source:
    """Give the budget's line for the points' noise: a surface made elsewhere states its own."""
    return "stated by source" if surface.uncertainty_from == "its source" else "frame noise"


def calibration_variance(surface: Surface, touch: Touch) -> float | None:
    """Variance from the head's parameters and the phase ripple; None where the head gives no covariance."""
    head = surface.head
    if head is None or head.covariance is None:
        return None
    _, _, by_parameter = _derivatives(head, touch.points_mm)
    gradient = np.einsum("ki,kip->p", touch.gradient, by_parameter)
    return float(gradient @ head.covariance.matrix @ gradient) + ripple_variance(surface, touch)


def ripple_variance(surface: Surface, touch: Touch) -> float:
    """Variance that the phase ripple adds; 0 where the head or the fringes aren't known or there is none."""
    head, fringes = surface.head, surface.finest_set
    if head is None or fringes is None or head.phase_ripple_rad == 0 or not touch.decoded.any():
        return 0.0
    points, gradient = touch.points_mm[touch.decoded], touch.gradient[touch.decoded]
    columns, by_column, _ = _derivatives(head, points)
    turn = 2 * math.pi * fringes.fringes
    phase = len(fringes.shifts_rad) * turn * columns
    by_phase = np.einsum("ki,ki->k", gradient, by_column) / turn
    in_step = float(np.sum(by_phase * np.cos(phase)))
    across = float(np.sum(by_phase * np.sin(phase)))
    return head.phase_ripple_rad**2 * (in_step**2 + across**2)


def bound_of(finding: Finding, *, open_by_nature: bool = False) -> Bound:
    """Say whether a size is whole or a least size, by what the finding says of its extent in view.

    Parameters
    ----------
    finding : Finding
    open_by_nature : bool
        True for cracks and paths, whose ends may go on unseen unless somebody says they don't.
    """
    seen = finding.whole_extent_in_view
    if seen == "no" or (seen == "not known" and open_by_nature):
        return "at_least"
    return "both"


def _derivatives(head: Head, points_mm: Array) -> tuple[Array, Array, Array]:
    """Pattern columns (K,) of points, and the derivatives by column (K, 3) and parameter (K, 3, P)."""
    u, v = head.camera.lens.pixel(points_mm[:, 0] / points_mm[:, 2], points_mm[:, 1] / points_mm[:, 2])
    columns, _ = head.projector.column_row(points_mm)
    _, by_column, by_parameter = points_and_jacobian(head, np.column_stack([u, v]), columns)
    return columns, by_column, by_parameter
