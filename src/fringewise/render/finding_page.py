"""The picture of one finding: photo with marks and sizes, deviation map with its scale, and section."""

from __future__ import annotations

import math
from typing import Final

from matplotlib.figure import Figure

from fringewise.capture.head import Head
from fringewise.core.units import LengthUnit
from fringewise.findings.finding import FindingResult
from fringewise.findings.kind import quantity_words
from fringewise.render.caption import U_WORDS, doubt_notes, origin_words, what_words
from fringewise.render.finding_panels import body_height_in, draw_body, line_of
from fringewise.render.page import (
    FOOT_LINE_IN,
    HEAD_IN,
    MARGIN_IN,
    WIDTH_IN,
    Page,
    legend_lines,
    new_page,
    text_width_in,
    wrapped,
    write_foot,
    write_head,
)
from fringewise.render.panels import Panels
from fringewise.render.photo import shown_photo
from fringewise.render.theme import LABEL_PT, SMALL_PT, TEXT_PT, Theme, ThemeName, theme_named
from fringewise.render.words import main_words, value_words
from fringewise.surface.surface import Surface

_SIZES_A_ROW: Final = 4
_SIZE_ROW_IN: Final = 0.52
_LINE_IN: Final = 0.22
_REASON_LINE_IN: Final = 0.26
_NOTES_GAP_IN: Final = 0.18
_FOOT_LINES: Final = 3
_END_IN: Final = 0.22
_WIDE_IN: Final = WIDTH_IN - 2 * MARGIN_IN


def finding_picture(
    surface: Surface,
    result: FindingResult,
    *,
    capture_name: str = "",
    standoff_mm: float | None = None,
    head: Head | str | None = None,
    unit: LengthUnit = "mm",
    theme: ThemeName | Theme = "light",
) -> Figure:
    """Draw one finding, measured or not.

    Where there is a deviation map: the photo with marks and sizes, the map over the photo with its scale, and
    the section. Otherwise the photo with the size as a dimension line and, along a line, the surface from the
    side. What was not measured shows its marks and the reason in words.

    Parameters
    ----------
    surface : Surface
        What it was measured on.
    result : FindingResult
    capture_name : str
        Name of the capture, as the person knows it.
    standoff_mm : float, optional
        As the results state it; the median distance of the surface's points by default.
    head : Head or str, optional
        The head or its serial; the surface's own by default.
    unit : {"mm", "in"}
    theme : {"light", "dark"} or Theme

    Returns
    -------
    matplotlib Figure
        With a canvas of its own; nothing global is touched. `fringewise.render.write_picture` writes it.
    """
    shown, line = shown_photo(surface), line_of(surface, result)
    reason = wrapped(result.reason, LABEL_PT, _WIDE_IN)
    notes = [part for words in doubt_notes(result) for part in wrapped(words, TEXT_PT, _WIDE_IN)]
    rows = math.ceil(max(len(result.quantities) - 1, 0) / _SIZES_A_ROW)
    top = HEAD_IN + _REASON_LINE_IN * len(reason) + _SIZE_ROW_IN * rows
    below = top + body_height_in(result, line)
    foot = below + _LINE_IN * len(notes) + (_NOTES_GAP_IN if notes else 0.0)
    page = new_page(foot + FOOT_LINE_IN * _FOOT_LINES + _END_IN, theme_named(theme))
    origin = origin_words(surface, unit, capture_name=capture_name, standoff_mm=standoff_mm, head=head)
    what, value = main_words(result, unit)
    write_head(page, what_words(result), origin, value, what)
    for n, words in enumerate(reason):
        page.text(MARGIN_IN, HEAD_IN + 0.1 + n * _REASON_LINE_IN, words, size=LABEL_PT)
    _write_sizes(page, result, unit)
    panels = Panels(page, surface, result, shown, unit)
    draw_body(panels, line, top)
    for n, words in enumerate(notes):
        page.text(MARGIN_IN, below + 0.08 + n * _LINE_IN, words, size=TEXT_PT)
    if shown.note:
        panels.explain(shown.note)
    write_foot(page, foot, legend_lines(panels.legend, *([U_WORDS] if result.quantities else [])))
    return page.figure


def _write_sizes(page: Page, result: FindingResult, unit: LengthUnit) -> None:
    """Write all quantities after the first in columns; a long one pushes those after it aside."""
    free = MARGIN_IN
    for n, one in enumerate(result.quantities[1:]):
        row, column = divmod(n, _SIZES_A_ROW)
        left = max(MARGIN_IN + column * _WIDE_IN / _SIZES_A_ROW, free if column else MARGIN_IN)
        top = HEAD_IN + 0.06 + row * _SIZE_ROW_IN
        page.text(left, top, quantity_words(one.name), size=SMALL_PT, color=page.theme.quiet)
        page.text(left, top + 0.21, value_words(one, unit), size=LABEL_PT)
        free = left + text_width_in(page, value_words(one, unit), LABEL_PT) + 0.2
