"""What the fields of one finding's picture share: the page, the surface, the result and its words."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from matplotlib.axes import Axes

from fringewise.core.checks import Array
from fringewise.core.units import LengthUnit
from fringewise.findings.finding import FindingResult
from fringewise.findings.kind import quantity_words
from fringewise.render.dimension import (
    Dimension,
    Pen,
    clear_of,
    crowding,
    draw_dimension,
    lay_dimension,
    page_points,
)
from fringewise.render.marks import anchor_points, placed_marks
from fringewise.render.page import Box, Page
from fringewise.render.photo import Crop, Picture, Shown, hatch, photo_axes, without_surface
from fringewise.render.places import extents_of
from fringewise.render.theme import TEXT_PT, Theme
from fringewise.render.words import value_words
from fringewise.surface.surface import Surface

CLEAR_PT: Final = 24.0
"""How far outside all marks a dimension line runs."""

NO_SURFACE: Final = "hatched: no surface to trust"

_SIDES: Final = (1, -1)
_SLIDES: Final = (0.0, 0.5, -0.5)


@dataclass(frozen=True, slots=True)
class Panels:
    """A page with the finding that is drawn on it.

    Attributes
    ----------
    page : Page
    surface : Surface
    result : FindingResult
    shown : Shown
        The photo, made ready for the eye.
    unit : {"mm", "in"}
    legend : list of str
        What the foot of the page must explain; filled as things are drawn.
    """

    page: Page
    surface: Surface
    result: FindingResult
    shown: Shown
    unit: LengthUnit
    legend: list[str] = field(default_factory=list)

    @property
    def theme(self) -> Theme:
        """The page's."""
        return self.page.theme

    @property
    def pen(self) -> Pen:
        """For dimensions on the page itself."""
        return Pen(self.theme.ink, on_photo=False, theme=self.theme)

    @property
    def pen_on_photo(self) -> Pen:
        """For dimensions on a photo."""
        return Pen(self.theme.accent_on_photo, on_photo=True, theme=self.theme)

    def words_of(self, name: str) -> str:
        """Value and doubt of a quantity; empty where it was not measured."""
        return next((value_words(q, self.unit) for q in self.result.quantities if q.name == name), "")

    def value_of(self, name: str) -> float | None:
        """Value in mm; None where it was not measured."""
        return next((q.value for q in self.result.quantities if q.name == name), None)

    def goes_on(self, name: str) -> bool:
        """Whether the quantity is a least one only."""
        return any(q.name == name and q.bound == "at_least" for q in self.result.quantities)

    def explain(self, words: str) -> None:
        """Add to what the foot of the page explains, once."""
        if words not in self.legend:
            self.legend.append(words)


def heading(page: Page, box: Box, words: str) -> None:
    """Write what a field shows over it."""
    page.text(box.left, box.top - 0.11, words, size=TEXT_PT, weight="bold")


def photo_field(panels: Panels, box: Box, crop: Crop, fine: Picture) -> Axes:
    """Put an enlarged part of the photo on a field, hatched where there is no surface to trust."""
    axes = photo_axes(panels.page, box, crop, fine)
    lost = without_surface(panels.surface)
    hatch(axes, box, crop, lost)
    if lost[crop.window].any():
        panels.explain(NO_SURFACE)
    return axes


def drawn_words(result: FindingResult) -> list[str]:
    """Say what a finding's marks are drawn as."""
    words = ["rings: marks as placed"] if len(placed_marks(result)) else []
    features = sorted({one.feature for one in result.drawing.drawn})
    return words + [f"ring with a cross: mark drawn to a {feature}" for feature in features]


def draw_extents(panels: Panels, axes: Axes, contour_px: Array) -> None:
    """Draw length and width of a contour as dimensions outside all marks, clear of each other."""
    extents = extents_of(panels.surface, contour_px)
    if extents is None:
        return
    wanted = [
        ("length", extents.length_ends_px, extents.length_way_px),
        ("width", extents.width_ends_px, extents.width_way_px),
    ]
    shown = [one for one in wanted if panels.words_of(one[0])]
    laid = [
        [_extent(panels, axes, *one, side, slide) for side in _SIDES for slide in _SLIDES] for one in shown
    ]
    best = min(itertools.product(*laid), key=lambda chosen: crowding(axes, chosen))
    for (name, *_), dimension in zip(shown, best, strict=True):
        draw_dimension(axes, dimension, panels.pen_on_photo, goes_on=panels.goes_on(name))


def _extent(
    panels: Panels, axes: Axes, name: str, ends_px: Array, way_px: Array, side: int, slide: float
) -> Dimension:
    middle = ends_px.mean(axis=0)
    along = np.diff(page_points(axes, np.array([middle, middle + way_px])), axis=0)[0]
    along = along if (along[0], along[1]) > (0.0, 0.0) else -along
    aside = clear_of(axes, anchor_points(panels.result), ends_px, along, side, CLEAR_PT)
    words = f"{quantity_words(name)} {panels.words_of(name)}"
    return lay_dimension(axes, ends_px, words, aside_pt=aside, along=along, slide=slide)
