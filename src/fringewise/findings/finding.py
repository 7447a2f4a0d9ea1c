"""A finding: what a person marked on the photo, and what came of measuring it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import numpy as np

from fringewise.core.checks import Array, frozen, shaped
from fringewise.core.measured import Measured

Answer = Literal["yes", "no", "not known"]

DEFAULT_PLACING_PX: Final = 0.7
"""Standard deviation of a mark's placing by a person, in u and in v (format 3)."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding as marked (format 3).

    Attributes
    ----------
    identity : str
        Its ``id``, unique in its file.
    kind : str
        One of the kinds of format 3, such as ``dent``.
    marks : mapping of str to (N, 2) array
        Pixel coordinates (u, v) on the photo by the marks' name, such as ``outline_px``.
    placing_px : float
        Standard deviation of placing a mark, in u and in v independently.
    whole_extent_in_view, sharp_bottom, tear_or_crack, reaches_edge : {"yes", "no", "not known"}
    draws_marks : bool
        Whether marks are drawn to the thing they were set on (a dot, a corner, a crack's dark line).
    damage, part, stage, item, zone, note : str, optional
    extra : mapping
        Fields of the document that this program does not know; kept.
    """

    identity: str
    kind: str
    marks: Mapping[str, Array] = field(default_factory=dict)
    placing_px: float = DEFAULT_PLACING_PX
    whole_extent_in_view: Answer = "not known"
    sharp_bottom: Answer = "not known"
    tear_or_crack: Answer = "not known"
    reaches_edge: Answer = "not known"
    draws_marks: bool = True
    damage: str | None = None
    part: str | None = None
    stage: str | None = None
    item: str | None = None
    zone: str | None = None
    note: str | None = None
    extra: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not (math.isfinite(self.placing_px) and self.placing_px >= 0):
            raise ValueError(f"placing_px must be 0 or more (found {self.placing_px})")
        kept = {}
        for name, points in self.marks.items():
            shaped(name, np.asarray(points), None, 2)
            if not np.all(np.isfinite(points)):
                raise ValueError(f"{name} must be finite")
            kept[name] = frozen(points)
        object.__setattr__(self, "marks", kept)


@dataclass(frozen=True, slots=True)
class DrawnMark:
    """A mark that was drawn to the thing itself: where it was placed, where it went, and to what."""

    placed_px: tuple[float, float]
    used_px: tuple[float, float]
    feature: str
    sigma_px: float


@dataclass(frozen=True, slots=True)
class Section:
    """A cut through the damage along a straight line on the photo, for drawing (lengths in mm).

    Attributes
    ----------
    along_mm : (N,) array
        Distance along the restored surface.
    measured_mm : (N,) array
        Smooth measured surface against the restored one, along its normal; NaN where there is none.
    expanded_mm : (N,) array
        U of `measured_mm`.
    points_along_mm, points_mm : (M,) arrays
        Single measured points near the cut.
    from_px, to_px : (u, v)
        Where the cut lies on the photo.
    """

    along_mm: Array
    measured_mm: Array
    expanded_mm: Array
    points_along_mm: Array
    points_mm: Array
    from_px: tuple[float, float]
    to_px: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Drawing:
    """What a picture of a finding needs beyond its numbers; nothing in it enters a result.

    Attributes
    ----------
    drawn : tuple of DrawnMark
    lines_px : tuple of (N, 2) array
        Lines to draw on the photo (the marks' joins, a contour), pixel coordinates.
    deviation_mm : (h, w) array, optional
        Smooth deviation from the restored metal on the photo's pixels, from `deviation_corner_px` on.
    deviation_expanded_mm : float
        U of the deviation, typical inside the damage.
    deviation_corner_px : (int, int)
        (u, v) of the first pixel of `deviation_mm`.
    deepest_px : (u, v), optional
    section : Section, optional
    """

    drawn: tuple[DrawnMark, ...] = ()
    lines_px: tuple[Array, ...] = ()
    deviation_mm: Array | None = None
    deviation_expanded_mm: float = 0.0
    deviation_corner_px: tuple[int, int] = (0, 0)
    deepest_px: tuple[float, float] | None = None
    section: Section | None = None


@dataclass(frozen=True, slots=True)
class FindingResult:
    """What came of measuring one finding (format 5): its quantities, or the reason why there is none.

    Attributes
    ----------
    finding : Finding
    quantities : tuple of Measured
    reason : str
        Why there are none, and what to do.
    warnings : tuple of str
    drawing : Drawing
    marks_at_fault : bool
        Whether the reason lies in the marks themselves.
    """

    finding: Finding
    quantities: tuple[Measured, ...] = ()
    reason: str = ""
    warnings: tuple[str, ...] = ()
    drawing: Drawing = field(default_factory=Drawing)
    marks_at_fault: bool = False

    def __post_init__(self) -> None:
        if bool(self.quantities) == bool(self.reason):
            raise ValueError("a result has quantities, or the reason why there are none")

    @property
    def status(self) -> Literal["measured", "not_measured"]:
        """Format 5's ``status``."""
        return "measured" if self.quantities else "not_measured"

    def quantity(self, name: str) -> Measured:
        """Give the quantity called `name`; KeyError where it was not measured."""
        for one in self.quantities:
            if one.name == name:
                return one
        raise KeyError(name)
