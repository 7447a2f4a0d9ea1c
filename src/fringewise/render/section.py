"""A surface from the side: a thin band of measured height ± U over a base line, its scale written on it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Final

import numpy as np
from matplotlib.axes import Axes

from fringewise.core.checks import Array
from fringewise.core.units import LengthUnit, shown_in
from fringewise.render.page import DPI, Box, Page, lettering
from fringewise.render.photo import hatching, page_size
from fringewise.render.places import Cut
from fringewise.render.theme import HAIR_PT, LINE_PT, SMALL_PT, TEXT_PT, Theme
from fringewise.render.words import THIN, decimals_of, round_step, signed

_EXAGGERATIONS: Final = (1, 2, 3, 4, 5, 6, 8, 10, 15, 20, 30, 40, 50, 60, 80, 100, 150, 200, 300, 500, 1000)
_LEFT_IN: Final = 0.85
_BELOW_IN: Final = 0.45
_SIDE_SHARE: Final = 0.08
_GAP_FROM: Final = 2.5
_GAP_HALF_IN: Final = 0.22


@dataclass(frozen=True, slots=True)
class Stage:
    """Axes in mm whose height is drawn `exaggeration` times as large as its length."""

    axes: Axes
    box: Box
    exaggeration: int

    @property
    def words(self) -> str:
        """What is written on the section about its scale."""
        if self.exaggeration == 1:
            return "length and height to scale"
        return f"height{THIN}×{THIN}{self.exaggeration}"


def section_stage(
    page: Page, field: Box, cut: Cut, *, low_mm: float, high_mm: float, reach_mm: float = 0.0
) -> Stage:
    """Make axes for a cut: heights from `low_mm` to `high_mm` fit, lengths from 0 to `reach_mm` at least.

    The exaggeration is the greatest of 1, 2, 3, 4, 5, 6, 8, 10 … with which they do.
    """
    box = Box(field.left + _LEFT_IN, field.top, field.width - _LEFT_IN, field.height - _BELOW_IN)
    seen = cut.along_mm[np.isfinite(cut.along_mm)]
    start, stop = (float(seen.min()), float(seen.max())) if seen.size else (0.0, 1.0)
    start, stop = (min(start, 0.0), max(stop, reach_mm)) if reach_mm else (start, stop)
    side = _SIDE_SHARE * max(stop - start, 1e-6)
    mm_an_inch = (stop - start + 2 * side) / box.width
    span = max(high_mm - low_mm, 1e-9)
    mm_an_inch = max(mm_an_inch, span / box.height)  # a narrow and deep one is drawn smaller, to scale
    exaggeration = max(e for e in _EXAGGERATIONS if span * e <= box.height * mm_an_inch * (1 + 1e-9))
    wide, center = box.width * mm_an_inch / 2, (start + stop) / 2
    half = box.height * mm_an_inch / exaggeration / 2
    middle = (low_mm + high_mm) / 2
    axes = page.axes(box)
    axes.set_xlim(center - wide, center + wide)
    axes.set_ylim(middle - half, middle + half)
    return Stage(axes, box, exaggeration)


def draw_cut(stage: Stage, cut: Cut, theme: Theme) -> None:
    """Draw a cut's measured surface: the band of ± U, its middle, and the single points behind it.

    Where there is no surface there is a gap.
    """
    axes = stage.axes
    axes.plot(
        cut.points_along_mm, cut.points_mm, linestyle="none", marker=".", markersize=1.6,
        color=theme.quiet, alpha=0.35, zorder=1, markeredgecolor="none",
    )  # fmt: skip
    low, high = cut.height_mm - cut.expanded_mm, cut.height_mm + cut.expanded_mm
    seen = np.isfinite(low) & np.isfinite(high) & np.isfinite(cut.along_mm)
    axes.fill_between(
        cut.along_mm, low, high, where=seen.tolist(), color=theme.accent, alpha=0.38, linewidth=0, zorder=2
    )
    axes.plot(cut.along_mm, cut.height_mm, color=theme.accent, linewidth=LINE_PT, zorder=3)
    padded = np.concatenate([[False], seen, [False]])
    alone = seen & ~padded[:-2] & ~padded[2:]
    axes.vlines(cut.along_mm[alone], low[alone], high[alone], color=theme.accent, alpha=0.5, linewidth=1.5)


def draw_gaps(stage: Stage, cut: Cut, start_mm: float, stop_mm: float) -> bool:
    """Hatch the lengths between two places over which there is no surface; says if there are any."""
    gaps = gaps_of(cut, start_mm, stop_mm)
    if gaps:
        wide, high = page_size(stage.box)
        along = np.linspace(*stage.axes.get_xlim(), wide)
        inside = np.any([(along > low) & (along < high_end) for low, high_end in gaps], axis=0)
        band = np.abs(np.linspace(*stage.axes.get_ylim()[::-1], high)) < _GAP_HALF_IN * DPI * _mm_a_row(stage)
        layer = hatching(band[:, None] & inside[None, :])
        extent = (*stage.axes.get_xlim(), *stage.axes.get_ylim())
        stage.axes.imshow(layer, extent=extent, aspect="auto", interpolation="nearest", zorder=0)
    return bool(gaps)


def gaps_of(cut: Cut, start_mm: float, stop_mm: float) -> list[tuple[float, float]]:
    """Give the lengths (from, to) between two places over which a cut has no surface."""
    seen = np.sort(cut.along_mm[np.isfinite(cut.along_mm) & np.isfinite(cut.height_mm)])
    if len(seen) < 2:
        return [(start_mm, stop_mm)]
    usual = float(np.median(np.diff(seen)))
    places = np.concatenate([[start_mm], seen[(seen >= start_mm) & (seen <= stop_mm)], [stop_mm]])
    return [
        (float(low), float(high))
        for low, high in itertools.pairwise(places)
        if high - low > _GAP_FROM * usual
    ]


def draw_base(stage: Stage, start_mm: float, stop_mm: float, theme: Theme, *, restored: bool) -> None:
    """Draw the base line: dashed where it is restored metal, which was not measured."""
    style = (0, (7, 4)) if restored else "-"
    stage.axes.plot(
        [start_mm, stop_mm], [0, 0], color=theme.ink, linewidth=LINE_PT if restored else HAIR_PT,
        linestyle=style, zorder=4,
    )  # fmt: skip


def draw_rulers(stage: Stage, page: Page, unit: LengthUnit, across: str) -> None:
    """Mark lengths along and heights in the unit that is shown, and write the scale over the section."""
    theme, box, axes = page.theme, stage.box, stage.axes
    low, high = axes.get_xlim()
    for at, words in _ruler(low, high, unit, 9):
        x = box.left + (at - low) / (high - low) * box.width
        page.rule(x, box.bottom, x, box.bottom + 0.05, color=theme.quiet)
        page.text(x, box.bottom + 0.2, words, size=SMALL_PT, color=theme.quiet, align="center")
    page.rule(box.left, box.bottom, box.right, box.bottom, color=theme.quiet)
    down, top = axes.get_ylim()
    for at, words in _ruler(down, top, unit, 5):
        y = box.bottom - (at - down) / (top - down) * box.height
        page.rule(box.left - 0.05, y, box.left, y, color=theme.quiet)
        page.text(box.left - 0.1, y, words, size=SMALL_PT, color=theme.quiet, align="right", base="center")
    page.rule(box.left, box.top, box.left, box.bottom, color=theme.quiet)
    page.text(box.right, box.bottom + 0.4, across, size=SMALL_PT, color=theme.quiet, align="right")
    page.text(box.right, box.top - 0.11, stage.words, size=TEXT_PT, align="right")


def note_at(
    stage: Stage,
    place: tuple[float, float],
    words: str,
    theme: Theme,
    *,
    align: str = "left",
    up_pt: float = 0.0,
    size: float = SMALL_PT,
) -> None:
    """Write a small note into a section, `up_pt` points over a place."""
    made = lettering(theme, size=size, align=align)
    stage.axes.annotate(words, place, (0, up_pt), textcoords="offset points", annotation_clip=False, **made)


def range_of(cut: Cut, *others_mm: float) -> tuple[float, float]:
    """Lowest and highest height of a cut with its doubt, of 0 and of others."""
    heights: Array = np.concatenate(
        [cut.height_mm - cut.expanded_mm, cut.height_mm + cut.expanded_mm, [0.0, *others_mm]]
    )
    return float(np.nanmin(heights)), float(np.nanmax(heights))


def _ruler(low_mm: float, high_mm: float, unit: LengthUnit, most: int) -> list[tuple[float, str]]:
    """Places (mm) of round lengths and their words; the last one carries the unit."""
    one, _ = shown_in(1.0, "mm", unit)
    step = round_step((high_mm - low_mm) * one, most)
    numbers = np.arange(np.ceil(low_mm * one / step), np.floor(high_mm * one / step) + 1)
    words = [signed(float(n * step), decimals_of(step)) for n in numbers]
    words[-1:] = [f"{last}{THIN}{unit}" for last in words[-1:]]
    return [(float(n * step / one), word) for n, word in zip(numbers, words, strict=True)]


def _mm_a_row(stage: Stage) -> float:
    low, high = stage.axes.get_ylim()
    return (high - low) / page_size(stage.box)[1]
