"""One page of an inspection with known truth: the stage in counting order, and values beside truths."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from fringewise.core.measured import Measured
from fringewise.core.units import LengthUnit, value_like
from fringewise.findings.kind import quantity_words
from fringewise.render.caption import U_WORDS
from fringewise.render.page import (
    FOOT_LINE_IN,
    MARGIN_IN,
    POINTS_AN_INCH,
    WIDTH_IN,
    Box,
    Page,
    new_page,
    text_width_in,
    wrapped,
    write_foot,
    write_head,
)
from fringewise.render.stage_strip import (
    LEGEND_LINE_IN,
    STRIP_ROW_IN,
    StageItem,
    draw_legend,
    draw_strips,
    legend_of,
    point_axes,
    strip_rows,
)
from fringewise.render.theme import HAIR_PT, SMALL_PT, TEXT_PT, Theme, ThemeName, theme_named
from fringewise.render.words import THIN, number_words, value_words

_WIDE_IN: Final = WIDTH_IN - 2 * MARGIN_IN
_STRIP_TOP_IN: Final = 1.36
_ROW_IN: Final = 0.29
_HEADINGS_IN: Final = 0.34
_COLUMNS: Final = {
    "item": 0.0,
    "finding": 0.8,
    "size": 1.6,
    "reason": 2.6,
    "value": 4.05,
    "truth": 6.2,
    "where": 7.15,
}
_WHERE_IN: Final = 2.05
_WHERE_REACH: Final = 2.0


@dataclass(frozen=True, slots=True)
class TruthRow:
    """One size of one finding beside what it truly is, or why it was not measured.

    Attributes
    ----------
    item : str
        The blade, such as ``7``.
    finding, kind : str
    measured : Measured, optional
    truth : float, optional
        In the unit of `measured`; absent where it is not known.
    reason : str
        Why it was not measured.
    """

    item: str
    finding: str
    kind: str
    measured: Measured | None = None
    truth: float | None = None
    reason: str = ""

    def __post_init__(self) -> None:
        if (self.measured is None) != bool(self.reason):
            raise ValueError("a row has a measured size, or the reason why there is none")
        if self.truth is not None and not math.isfinite(self.truth):
            raise ValueError(f"a known truth must be a finite number (found {self.truth})")

    @property
    def within(self) -> bool | None:
        """Whether the truth lies within value ± U; None where one of them is not known."""
        if self.measured is None or self.truth is None:
            return None
        return abs(self.truth - self.measured.value) <= self.measured.expanded_uncertainty


@dataclass(frozen=True, slots=True)
class Inspection:
    """What one page shows of an inspection.

    Attributes
    ----------
    title, under : str
        What it is; and from which captures, at which stand-off, under which head.
    stage, counting : str
        The stage's name, and which blade is 1 and how they are counted.
    items : tuple of StageItem
        In counting order.
    rows : tuple of TruthRow
    note : str
        Small words at the foot, such as that all of it is invented.
    """

    title: str
    under: str
    stage: str
    counting: str
    items: tuple[StageItem, ...]
    rows: tuple[TruthRow, ...]
    note: str = ""


def inspection_picture(
    inspection: Inspection, *, unit: LengthUnit = "mm", theme: ThemeName | Theme = "light"
) -> Figure:
    """Draw one page of an inspection whose truth is known.

    Returns
    -------
    matplotlib Figure
    """
    legend_top = _STRIP_TOP_IN + 0.26 + strip_rows(inspection.items) * STRIP_ROW_IN
    legend = legend_of(inspection.items)
    table_top = legend_top + LEGEND_LINE_IN * len(legend) + 0.5
    foot = table_top + _HEADINGS_IN + _ROW_IN * sum(len(_reason_lines(row)) for row in inspection.rows) + 0.15
    notes = [U_WORDS, *wrapped(inspection.note, SMALL_PT, _WIDE_IN)]
    page = new_page(foot + FOOT_LINE_IN * len(notes) + 0.3, theme_named(theme))
    write_head(page, inspection.title, inspection.under)
    page.text(MARGIN_IN, 1.2, inspection.stage, size=TEXT_PT, weight="bold")
    wide = text_width_in(page, f"{inspection.stage}   ", TEXT_PT) * 1.12
    page.text(MARGIN_IN + wide, 1.2, inspection.counting, size=SMALL_PT, color=page.theme.quiet)
    draw_strips(page, inspection.items, _STRIP_TOP_IN)
    draw_legend(page, legend, legend_top)
    _draw_table(page, inspection.rows, table_top, unit)
    write_foot(page, foot, notes)
    return page.figure


def _draw_table(page: Page, rows: Sequence[TruthRow], top: float, unit: LengthUnit) -> None:
    quiet = {"size": SMALL_PT, "color": page.theme.quiet}
    at = {name: MARGIN_IN + left for name, left in _COLUMNS.items()}
    page.text(MARGIN_IN, top - 0.28, _summary(rows), size=TEXT_PT, weight="bold")
    headings = {"item": "blade", "finding": "finding", "size": "size"}
    for name, words in headings.items():
        page.text(at[name], top, words, **quiet)
    page.text(at["value"], top, "measured", align="center", **quiet)
    page.text(at["truth"], top, "known truth", align="center", **quiet)
    page.text(at["where"] + _WHERE_IN / 2, top, "truth within value ± U", align="center", **quiet)
    page.rule(MARGIN_IN, top + 0.09, MARGIN_IN + _WIDE_IN, top + 0.09)
    before = None
    base = top + _HEADINGS_IN
    for row in rows:
        if before is not None and row.item != before.item:
            page.rule(MARGIN_IN, base - 0.19, MARGIN_IN + _WIDE_IN, base - 0.19)
        if before is None or row.item != before.item:
            page.text(at["item"], base, row.item, weight="bold")
        if before is None or (row.item, row.finding) != (before.item, before.finding):
            page.text(at["finding"], base, row.finding)
        _write_row(page, row, base, unit, at)
        base += _ROW_IN * len(_reason_lines(row))
        before = row


def _write_row(page: Page, row: TruthRow, base: float, unit: LengthUnit, at: dict[str, float]) -> None:
    kind = row.kind.replace("_", " ")
    if row.measured is None:
        page.text(at["size"], base, kind)
        for n, words in enumerate(_reason_lines(row)):
            page.text(at["reason"], base + n * _ROW_IN, words)
        return
    name = quantity_words(row.measured.name)
    spoken = kind if name.split(" ")[-1] == kind else f"{kind}, {name.removeprefix('along the ')}"
    page.text(at["size"], base, spoken)
    value, _, doubt = value_words(row.measured, unit).partition("±")
    page.text(at["value"], base, value.rstrip(THIN), align="right")
    page.text(at["value"] + 0.035, base, f"±{doubt}")
    if row.truth is not None:
        page.text(at["truth"], base, _truth_words(row.measured, row.truth, unit), align="center")
        _draw_where(page, row.measured, row.truth, Box(at["where"], base - 0.17, _WHERE_IN, 0.22))


def _reason_lines(row: TruthRow) -> list[str]:
    """The lines that a row takes: one, or as many as its reason needs."""
    if not row.reason:
        return [""]
    return wrapped(f"not measured: {row.reason}", TEXT_PT, _WIDE_IN - _COLUMNS["reason"])


def _draw_where(page: Page, measured: Measured, truth: float, box: Box) -> None:
    """Value ± U as a bar with the value's tick, and the truth as a hollow diamond against it."""
    axes, theme = point_axes(page, box), page.theme
    wide, high = box.width * POINTS_AN_INCH, box.height * POINTS_AN_INCH
    middle, unit_pt = wide / 2, wide / 2 / (_WHERE_REACH + 0.25)
    axes.plot(
        [middle - _WHERE_REACH * unit_pt, middle + _WHERE_REACH * unit_pt],
        [high / 2] * 2,
        color=theme.rule,
        linewidth=HAIR_PT,
    )
    axes.add_patch(
        Rectangle(
            (middle - unit_pt, high / 2 - 3),
            2 * unit_pt,
            6,
            facecolor=theme.panel,
            edgecolor=theme.quiet,
            linewidth=HAIR_PT,
        )
    )
    axes.plot([middle, middle], [high / 2 - 5, high / 2 + 5], color=theme.ink, linewidth=1.2)
    off = (truth - measured.value) / max(measured.expanded_uncertainty, 1e-300)
    x = middle + float(np.clip(off, -_WHERE_REACH, _WHERE_REACH)) * unit_pt
    beyond = abs(off) > _WHERE_REACH
    axes.plot(
        [x], [high / 2], marker=(">" if off > 0 else "<") if beyond else "D", markersize=6.0,
        markerfacecolor=theme.paper, markeredgecolor=theme.accent, markeredgewidth=1.3,
    )  # fmt: skip


def _truth_words(measured: Measured, truth: float, unit: LengthUnit) -> str:
    """Write a truth with the digits of the value beside it."""
    return number_words(
        value_like(truth, measured.expanded_uncertainty, measured.unit, unit).replace("-", "−")
    )


def _summary(rows: Sequence[TruthRow]) -> str:
    judged = [row.within for row in rows if row.within is not None]
    missing = sum(row.measured is None for row in rows)
    words = f"The truth lies within ± U for {sum(judged)} of {len(judged)} sizes" if judged else "Findings"
    return f"{words}; {missing} not measured" if missing else words
