"""The fields of one finding's picture: a relief with map and section, a line with its profile, an outline."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from matplotlib.axes import Axes

from fringewise.core.checks import Array
from fringewise.findings.finding import FindingResult, Section
from fringewise.render.deviation import (
    deviation_over,
    draw_levels,
    draw_scale,
    enlarged_deviation,
    middle_words,
    scale_of,
    seen_deviation,
)
from fringewise.render.dimension import data_points, draw_dimension, lay_dimension, page_points, plate
from fringewise.render.marks import anchor_points, draw_marks, line_on_photo
from fringewise.render.page import MARGIN_IN, WIDTH_IN, Box
from fringewise.render.panels import Panels, draw_extents, drawn_words, heading, photo_field
from fringewise.render.photo import Crop, crop_round, enlarged
from fringewise.render.places import Cut, line_and_foot, points_near, surface_between
from fringewise.render.side_views import SIDE_VIEW_IN, draw_profile, draw_section, from_the_left
from fringewise.render.theme import SMALL_PT, TEXT_PT, Theme
from fringewise.surface.surface import Surface

_WIDE_IN: Final = WIDTH_IN - 2 * MARGIN_IN
_PANEL_IN: Final = 3.92
_BETWEEN_IN: Final = 0.3
_WIDE_HIGH_IN: Final = 4.5
_HEADING_IN: Final = 0.34
_NOTE_IN: Final = 0.3
_AFTER_IN: Final = 0.25
_LETTER_PT: Final = 10.0
_ASIDE_PT: Final = 40.0
_BEYOND_PX: Final = 30.0
_ROOM_ROUND: Final = 1.9
_ROOM_BEYOND: Final = 1.16
_PROFILE_WORDS: Final = {
    "straight": "Surface along the line: height over the straight line between its ends",
    "offset": "Surface from line to point: height over the straight line between them",
}


@dataclass(frozen=True, slots=True)
class Line:
    """A straight size on the photo: its quantity, its ends, and the surface along it where it was seen."""

    quantity: str
    ends_px: Array
    cut: Cut | None


def line_of(surface: Surface, result: FindingResult) -> Line | None:
    """Give the straight size that a finding is about; None where there is none."""
    marks, lines = result.finding.marks, result.drawing.lines_px
    if result.reason:
        return None
    if "ends_px" in marks:
        ends = lines[0] if lines else marks["ends_px"]
        return Line("straight", ends, surface_between(surface, ends, points_near(surface, ends)))
    if "point_px" in marks and "line_px" in marks:
        found = line_and_foot(surface, marks["line_px"], marks["point_px"][0])
        return None if found is None else Line("offset", found[0], surface_between(surface, *found))
    return None


def body_height_in(result: FindingResult, line: Line | None) -> float:
    """Height that a finding's fields need."""
    if result.drawing.deviation_mm is not None:
        below = _NOTE_IN + (_HEADING_IN + SIDE_VIEW_IN if result.drawing.section is not None else 0.0)
        return _HEADING_IN + _PANEL_IN + below + _AFTER_IN
    below = _HEADING_IN + SIDE_VIEW_IN if line is not None and line.cut is not None else 0.0
    return _HEADING_IN + _WIDE_HIGH_IN + below + _AFTER_IN


def draw_body(panels: Panels, line: Line | None, top: float) -> None:
    """Draw a finding's fields from `top` (inches) downwards."""
    if panels.result.drawing.deviation_mm is not None:
        _draw_relief(panels, top + _HEADING_IN)
    else:
        _draw_wide(panels, line, top + _HEADING_IN)


def _draw_relief(panels: Panels, top: float) -> None:
    drawing = panels.result.drawing
    crop = _relief_crop(panels)
    left = Box(MARGIN_IN, top, _PANEL_IN, _PANEL_IN)
    right = Box(left.right + _BETWEEN_IN, top, _PANEL_IN, _PANEL_IN)
    heading(panels.page, left, "Photo with marks and sizes")
    axes = photo_field(panels, left, crop, enlarged(panels.shown.picture, crop, left))
    _draw_marks(panels, axes)
    if len(drawing.lines_px) > 1:
        draw_extents(panels, axes, drawing.lines_px[1])
    heading(panels.page, right, "Deviation from the restored metal")
    axes = _draw_map(panels, right, crop)
    if drawing.section is not None:
        section = from_the_left(drawing.section)
        _draw_cut_line(axes, section, panels.theme)
        draw_section(panels, section, left.bottom + _NOTE_IN + _HEADING_IN)


def _relief_crop(panels: Panels) -> Crop:
    """Choose a square part of the photo with room for dimensions and for the section's ends."""
    marks, section = anchor_points(panels.result), panels.result.drawing.section
    middle = (marks.min(axis=0) + marks.max(axis=0)) / 2
    wanted = [middle + _ROOM_ROUND * (marks - middle)]
    if section is not None:
        ends = np.array([section.from_px, section.to_px])
        wanted.append(ends.mean(axis=0) + _ROOM_BEYOND * (ends - ends.mean(axis=0)))
    return crop_round(np.vstack(wanted), panels.surface.shape, aspect=1.0, margin=0.0)


def _draw_map(panels: Panels, box: Box, crop: Crop) -> Axes:
    drawing, photo = panels.result.drawing, panels.shown.picture
    deviation = seen_deviation(panels.surface, drawing)
    scale = scale_of(deviation, drawing.deviation_expanded_mm, panels.unit)
    fine = enlarged_deviation(deviation, drawing.deviation_corner_px, crop, box)
    laid = deviation_over(enlarged(photo, crop, box), fine, scale)
    axes = photo_field(panels, box, crop, laid)
    draw_levels(axes, deviation, drawing.deviation_corner_px, scale)
    draw_scale(panels.page, Box(box.right + 0.12, box.top, 0.2, box.height), crop, photo, scale, panels.unit)
    words = middle_words(scale, panels.unit)
    panels.page.text(box.left, box.bottom + 0.2, words, size=SMALL_PT, color=panels.theme.quiet)
    return axes


def _draw_wide(panels: Panels, line: Line | None, top: float) -> None:
    result, box = panels.result, Box(MARGIN_IN, top, _WIDE_IN, _WIDE_HIGH_IN)
    heading(panels.page, box, "Photo with marks and sizes" if result.quantities else "Photo with marks")
    crop = _wide_crop(panels, box)
    axes = photo_field(panels, box, crop, enlarged(panels.shown.picture, crop, box))
    _draw_marks(panels, axes)
    if line is None:
        if result.quantities and result.drawing.lines_px:
            draw_extents(panels, axes, result.drawing.lines_px[0])
        return
    if line.quantity == "offset":
        _draw_endless(panels, axes, line.ends_px[0])
    _draw_between(panels, axes, line)
    if line.cut is not None:
        words = _PROFILE_WORDS[line.quantity]
        draw_profile(panels, line.cut, line.quantity, words, box.bottom + _HEADING_IN + 0.05)


def _wide_crop(panels: Panels, box: Box) -> Crop:
    points, shape = anchor_points(panels.result), panels.surface.shape
    inside = np.clip(points, 0, np.array(shape[::-1]) - 1.0) if len(points) else np.array([shape[::-1]]) / 2
    return crop_round(inside, shape, aspect=box.width / box.height, margin=0.35, least_px=140)


def _draw_marks(panels: Panels, axes: Axes) -> None:
    draw_marks(axes, panels.result, panels.theme)
    for words in drawn_words(panels.result):
        panels.explain(words)


def _draw_between(panels: Panels, axes: Axes, line: Line) -> None:
    """Draw a straight size beside its line, where there is most room; an offset on its own line."""
    middle, center = page_points(
        axes, np.array([line.ends_px.mean(axis=0), [np.mean(axes.get_xlim()), np.mean(axes.get_ylim())]])
    )
    first, second = page_points(axes, line.ends_px)
    way, inwards = second - first, center - middle
    aside = _ASIDE_PT if way[0] * inwards[1] - way[1] * inwards[0] >= 0 else -_ASIDE_PT
    aside = 0.0 if line.quantity == "offset" else aside
    dimension = lay_dimension(axes, line.ends_px, panels.words_of(line.quantity), aside_pt=aside)
    draw_dimension(axes, dimension, panels.pen_on_photo, goes_on=panels.goes_on(line.quantity))


def _draw_endless(panels: Panels, axes: Axes, foot_px: Array) -> None:
    """Carry an endless line on beyond its marks, and beyond the foot on it, chain-dotted."""
    line = panels.result.finding.marks["line_px"]
    length = float(np.hypot(*(line[1] - line[0])))
    way = (line[1] - line[0]) / max(length, 1e-9)
    foot = float((foot_px - line[0]) @ way)
    for ends in ((min(foot, 0.0) - _BEYOND_PX, 0.0), (length, max(foot, length) + _BEYOND_PX)):
        beyond = line[0] + np.array(ends)[:, None] * way
        line_on_photo(axes, beyond, panels.theme, linestyle=(0, (7, 3, 1.5, 3)))


def _draw_cut_line(axes: Axes, section: Section, theme: Theme) -> None:
    """Draw where the section lies, with A and B beyond its ends."""
    ends = np.array([section.from_px, section.to_px])
    line_on_photo(axes, ends, theme)
    places = page_points(axes, ends)
    out = (places[1] - places[0]) / max(float(np.hypot(*(places[1] - places[0]))), 1e-9)
    for letter, place in (("A", places[0] - _LETTER_PT * out), ("B", places[1] + _LETTER_PT * out)):
        where = data_points(axes, place[None, :])[0]
        plate(axes, (float(where[0]), float(where[1])), letter, theme, size=TEXT_PT)
