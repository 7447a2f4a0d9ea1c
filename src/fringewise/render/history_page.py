"""The picture of a head's verifications over time: errors with their U, control limits, error limits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from matplotlib.figure import Figure

from fringewise.equipment.history import FALSE_ALARM_ONCE_IN, RULE_SET, Chart
from fringewise.render.page import MARGIN_IN, WIDTH_IN, Box, Page, new_page, write_foot, write_head
from fringewise.render.theme import HAIR_PT, LINE_PT, SMALL_PT, TEXT_PT, Theme, ThemeName, theme_named

_CHART_IN: Final = 2.3
_GAP_IN: Final = 0.75
_LEFT_IN: Final = 0.75


def history_picture(charts: Sequence[Chart], head: str, *, theme: ThemeName | Theme = "light") -> Figure:
    """Draw the control charts of a head's verifications, one under another.

    Points are errors with ± U; the dashed lines are the control limits, the full ones the permissible error.
    Points that a rule speaks of are ringed.

    Returns
    -------
    matplotlib Figure
    """
    shown = theme_named(theme)
    page = new_page(2.2 + (_CHART_IN + _GAP_IN) * max(len(charts), 1), shown)
    top = write_head(
        page, f"Head {head} on its blocks", "errors of the features read, verification by verification"
    )
    for n, chart in enumerate(charts):
        _draw(page, chart, top + 0.35 + n * (_CHART_IN + _GAP_IN))
    words = [
        "Dashed: control limits; full: permissible error; ringed: a rule speaks of it.",
        f"{RULE_SET[0].upper()}{RULE_SET[1:]}.",
        f"False alarm: once in some {FALSE_ALARM_ONCE_IN} points.",
    ]
    write_foot(page, top + 0.2 + max(len(charts), 1) * (_CHART_IN + _GAP_IN), words)
    return page.figure


def _draw(page: Page, chart: Chart, top: float) -> None:
    theme, count = page.theme, len(chart.errors)
    page.text(MARGIN_IN, top - 0.1, f"{chart.finding} {chart.quantity}, error in {chart.unit}", size=TEXT_PT)
    axes = page.axes(Box(MARGIN_IN + _LEFT_IN, top, WIDTH_IN - 2 * MARGIN_IN - _LEFT_IN, _CHART_IN))
    axes.set_axis_on()
    axes.set_facecolor(theme.panel)
    for side in axes.spines.values():
        side.set_color(theme.rule)
    axes.tick_params(colors=theme.ink, labelsize=SMALL_PT)
    place = np.arange(1, count + 1)
    axes.errorbar(place, chart.errors, yerr=chart.expanded, fmt="o", color=theme.accent, ms=4, lw=LINE_PT)
    axes.plot(place, chart.errors, color=theme.accent, lw=HAIR_PT)
    for limit in (-chart.permissible_error, chart.permissible_error):
        axes.axhline(limit, color=theme.ink, lw=LINE_PT)
    for level in (chart.low, chart.high):
        if math.isfinite(level):
            axes.axhline(level, color=theme.quiet, lw=LINE_PT, ls=(0, (5, 3)))
    if math.isfinite(chart.centre):
        axes.axhline(chart.centre, color=theme.quiet, lw=HAIR_PT)
    spoken = sorted({n for n, _ in chart.signals})
    axes.plot(place[spoken], chart.errors[spoken], "o", mfc="none", mec=theme.ink, ms=11, mew=LINE_PT)
    axes.set_xticks(place)
    every = max(count // 10, 1)
    axes.set_xticklabels(
        [f"{moment:%Y-%m-%d}" if n % every == 0 else "" for n, moment in enumerate(chart.moments)]
    )
    axes.set_xlim(0.5, count + 0.5)
    if chart.drift:
        page.text(MARGIN_IN, top + _CHART_IN + 0.42, chart.drift, size=SMALL_PT)
