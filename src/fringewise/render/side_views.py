"""A finding's surface from the side: the section through a damage, and the profile along a measured line."""

from __future__ import annotations

from typing import Final

import numpy as np

from fringewise.findings.finding import Section
from fringewise.render.dimension import (
    clear_of,
    draw_dimension,
    lay_dimension,
    page_points,
    words_size_pt,
)
from fringewise.render.page import MARGIN_IN, WIDTH_IN, Box
from fringewise.render.panels import NO_SURFACE, Panels, heading
from fringewise.render.places import Cut, cut_of
from fringewise.render.section import (
    Stage,
    draw_base,
    draw_cut,
    draw_gaps,
    draw_rulers,
    note_at,
    range_of,
    section_stage,
)
from fringewise.render.theme import LABEL_PT, TEXT_PT

SIDE_VIEW_IN: Final = 2.75
_WIDE_IN: Final = WIDTH_IN - 2 * MARGIN_IN
_ASIDE_SHARE: Final = 0.26
_END_SHARE: Final = 0.2
_END_ROOM_PT: Final = 16.0


def from_the_left(section: Section) -> Section:
    """Turn a section so that its start lies to the left on the photo, as it is then drawn."""
    if section.from_px[0] <= section.to_px[0]:
        return section
    length = float(np.nanmax(section.along_mm))
    return Section(
        length - section.along_mm[::-1],
        section.measured_mm[::-1],
        section.expanded_mm[::-1],
        length - section.points_along_mm,
        section.points_mm,
        section.to_px,
        section.from_px,
    )


def draw_section(panels: Panels, section: Section, top: float) -> Stage:
    """Draw a damage's section with its depth as a dimension."""
    cut, theme, page = cut_of(section), panels.theme, panels.page
    depth, raised = panels.value_of("depth"), panels.value_of("raised")
    low, high = range_of(cut, -(depth or 0.0), raised or 0.0)
    field = Box(MARGIN_IN, top, _WIDE_IN, SIDE_VIEW_IN)
    heading(page, field, "Section from A to B: height over the restored metal")
    room = high - low
    stage = section_stage(page, field, cut, low_mm=low - 0.12 * room, high_mm=high + 0.25 * room)
    if draw_gaps(stage, cut, *_ends_mm(cut)):
        panels.explain(NO_SURFACE)
    draw_cut(stage, cut, theme)
    start, stop = stage.axes.get_xlim()
    draw_base(stage, start, stop, theme, restored=True)
    draw_rulers(stage, page, panels.unit, "along the restored metal")
    _write_ends(panels, stage, cut)
    if depth is not None:
        _draw_depth(panels, stage, _deepest_mm(section, panels), depth)
    panels.explain("dashed: restored metal, not measured")
    panels.explain("band: measured surface ± U")
    return stage


def draw_profile(panels: Panels, cut: Cut, name: str, words: str, top: float) -> Stage:
    """Draw the surface along a measured line from the side, with the straight size called `name` over it."""
    field = Box(MARGIN_IN, top, _WIDE_IN, SIDE_VIEW_IN)
    heading(panels.page, field, words)
    length = panels.value_of(name) or 0.0
    low, high = range_of(cut)
    room = max(high - low, 0.02 * length)
    stage = section_stage(
        panels.page, field, cut, low_mm=low - 0.15 * room, high_mm=high + 0.75 * room, reach_mm=length
    )
    if draw_gaps(stage, cut, 0.0, length):
        panels.explain(NO_SURFACE)
    draw_cut(stage, cut, panels.theme)
    draw_base(stage, 0.0, length, panels.theme, restored=False)
    draw_rulers(stage, panels.page, panels.unit, "along the straight line")
    ends = np.array([[0.0, 0.0], [length, 0.0]])
    aside = clear_of(stage.axes, np.array([[0.0, high]]), ends, np.array([1.0, 0.0]), 1, 24.0)
    dimension = lay_dimension(stage.axes, ends, panels.words_of(name), aside_pt=aside)
    draw_dimension(stage.axes, dimension, panels.pen, goes_on=panels.goes_on(name))
    panels.explain("band: measured surface ± U")
    return stage


def _draw_depth(panels: Panels, stage: Stage, at_mm: float, depth_mm: float) -> None:
    """The depth beside the damage; its upper end lies on the restored metal and needs no line of its own."""
    start, stop = stage.axes.get_xlim()
    words = panels.words_of("depth")
    left_pt, at_pt, right_pt = page_points(stage.axes, np.array([[start, 0.0], [at_mm, 0.0], [stop, 0.0]]))[
        :, 0
    ]
    room = float(words_size_pt(stage.axes, words, LABEL_PT)[0]) + _END_ROOM_PT
    wanted = _ASIDE_SHARE * (right_pt - left_pt)
    to_right = right_pt - at_pt >= at_pt - left_pt - room
    aside = min(wanted, right_pt - room - at_pt) if to_right else -min(wanted, at_pt - left_pt - room)
    ends = np.array([[at_mm, 0.0], [at_mm, -depth_mm]])
    dimension = lay_dimension(stage.axes, ends, words, aside_pt=float(aside), level=True)
    draw_dimension(stage.axes, dimension, panels.pen, goes_on=panels.goes_on("depth"), extend=(False, True))


def _write_ends(panels: Panels, stage: Stage, cut: Cut) -> None:
    """Write A and B over the section's ends, and what the dashed line is, clear of the surface below."""
    seen = np.isfinite(cut.along_mm) & np.isfinite(cut.height_mm)
    if not seen.any():
        return
    along, upper = cut.along_mm[seen], (cut.height_mm + cut.expanded_mm)[seen]
    length = along.max() - along.min()
    near_a, near_b = along < along.min() + _END_SHARE * length, along > along.max() - _END_SHARE * length
    for letter, at, near in (("A", along.min(), near_a), ("B", along.max(), near_b)):
        over = (float(at), max(float(upper[near].max()), 0.0))
        note_at(stage, over, letter, panels.theme, align="center", up_pt=20, size=TEXT_PT)
    stop = stage.axes.get_xlim()[1]
    over = (stop, max(float(upper[near_b].max()), 0.0))
    note_at(stage, over, "restored metal", panels.theme, align="right", up_pt=5)


def _ends_mm(cut: Cut) -> tuple[float, float]:
    seen = cut.along_mm[np.isfinite(cut.along_mm)]
    return (float(seen.min()), float(seen.max())) if seen.size else (0.0, 0.0)


def _deepest_mm(section: Section, panels: Panels) -> float:
    """Where along its section a damage is deepest."""
    count, deepest = len(section.along_mm), panels.result.drawing.deepest_px
    start, stop = np.array(section.from_px), np.array(section.to_px)
    way = stop - start
    share = 0.5 if deepest is None else float((np.array(deepest) - start) @ way / max(way @ way, 1e-12))
    return float(np.interp(share * count - 0.5, np.arange(count), section.along_mm))
