"""The picture of an expected uncertainty: U over the stand-off, by what it comes from."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from matplotlib.figure import Figure

from fringewise.core.measured import SOURCES
from fringewise.expect.expectation import Expected
from fringewise.render.page import MARGIN_IN, WIDTH_IN, Box, new_page, write_foot, write_head
from fringewise.render.theme import LINE_PT, SMALL_PT, TEXT_PT, Theme, ThemeName, theme_named

_FIELD_IN: Final = 3.6
_LEFT_IN: Final = 0.9
_DASHES: Final = ((0, (1, 2)), (0, (5, 2)), (0, (5, 2, 1, 2)), (0, (9, 3)), (0, (2, 1)), (0, (3, 1, 1, 1)))


def expectation_picture(
    made: Sequence[Expected], *, title: str, under: str, theme: ThemeName | Theme = "light"
) -> Figure:
    """Draw U over the stand-off, full, and each source's share of it, dashed (2 u each).

    Returns
    -------
    matplotlib Figure
    """
    shown = theme_named(theme)
    page = new_page(2.6 + _FIELD_IN, shown)
    known = [one for one in made if one.measured is not None]
    top = write_head(page, title, under)
    axes = page.axes(
        Box(MARGIN_IN + _LEFT_IN, top + 0.25, WIDTH_IN - 2 * MARGIN_IN - _LEFT_IN - 1.6, _FIELD_IN)
    )
    axes.set_axis_on()
    axes.set_facecolor(shown.panel)
    axes.tick_params(colors=shown.ink, labelsize=SMALL_PT)
    for side in axes.spines.values():
        side.set_color(shown.rule)
    if known:
        place = np.array([one.standoff_mm for one in known])
        whole = np.array([one.measured.expanded_uncertainty for one in known if one.measured])
        axes.plot(place, whole, color=shown.accent, lw=2 * LINE_PT, marker="o", ms=3)
        labels = [(float(whole[-1]), " U")]
        for source, dashes in zip(SOURCES, _DASHES, strict=False):
            part = np.array([2 * one.measured.part(source) for one in known if one.measured])
            if part.max() > 0.02 * whole.max():
                axes.plot(place, part, color=shown.ink, lw=LINE_PT, ls=dashes)
                labels.append((float(part[-1]), f" {source}"))
        for level, words in _apart(labels, 0.06 * float(whole.max())):
            axes.annotate(
                words, (place[-1], level), color=shown.ink, fontsize=SMALL_PT, annotation_clip=False
            )
        axes.set_ylim(0, 1.1 * whole.max())
        unit = known[0].measured.unit if known[0].measured else "mm"
        axes.set_ylabel(f"U, {unit}", color=shown.ink, fontsize=TEXT_PT)
    axes.set_xlabel("stand-off, mm", color=shown.ink, fontsize=TEXT_PT)
    left_out = [f"{one.standoff_mm:.1f} mm: {one.reason}" for one in made if one.measured is None]
    lines = ["Full: U (k = 2). Dashed: what each source alone would give."]
    write_foot(page, top + _FIELD_IN + 0.75, [*lines, *left_out[:3]])
    return page.figure


def _apart(labels: Sequence[tuple[float, str]], gap: float) -> list[tuple[float, str]]:
    """Push labels up until none lies on another."""
    made: list[tuple[float, str]] = []
    for level, words in sorted(labels):
        low = made[-1][0] + gap if made else level
        made.append((max(level, low), words))
    return made
