"""The whole photo with all findings: marks, lines, and labels beside the damage with leaders to it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from matplotlib.figure import Figure

from fringewise.capture.head import Head
from fringewise.core.units import LengthUnit
from fringewise.findings.finding import FindingResult
from fringewise.render.caption import U_WORDS, origin_words
from fringewise.render.labels import draw_label, lay_labels
from fringewise.render.marks import draw_marks
from fringewise.render.page import (
    FOOT_LINE_IN,
    MARGIN_IN,
    WIDTH_IN,
    Box,
    legend_lines,
    new_page,
    write_foot,
    write_head,
)
from fringewise.render.panels import NO_SURFACE, drawn_words
from fringewise.render.photo import enlarged, hatch, photo_axes, shown_photo, whole, without_surface
from fringewise.render.theme import Theme, ThemeName, theme_named
from fringewise.surface.surface import Surface

_PHOTO_TOP_IN: Final = 1.0
_FOOT_LINES: Final = 2
_WIDE_IN: Final = WIDTH_IN - 2 * MARGIN_IN


def photo_picture(
    surface: Surface,
    results: Iterable[FindingResult],
    *,
    title: str,
    capture_name: str = "",
    standoff_mm: float | None = None,
    head: Head | str | None = None,
    unit: LengthUnit = "mm",
    theme: ThemeName | Theme = "light",
) -> Figure:
    """Draw the whole photo with all findings.

    Parameters
    ----------
    surface : Surface
    results : iterable of FindingResult
        Measured or not; each gets a label with its main value and doubt, or that it was not measured.
    title : str
        What the picture is.
    capture_name, standoff_mm, head, unit, theme
        As for `finding_picture`.

    Returns
    -------
    matplotlib Figure
    """
    shown, found, crop = shown_photo(surface), list(results), whole(surface.shape)
    high = _WIDE_IN * crop.height / crop.width
    box = Box(MARGIN_IN, _PHOTO_TOP_IN, _WIDE_IN, high)
    page = new_page(box.bottom + 0.1 + FOOT_LINE_IN * _FOOT_LINES + 0.22, theme_named(theme))
    origin = origin_words(surface, unit, capture_name=capture_name, standoff_mm=standoff_mm, head=head)
    write_head(page, title, origin)
    axes = photo_axes(page, box, crop, enlarged(shown.picture, crop, box))
    lost = without_surface(surface)
    hatch(axes, box, crop, lost)
    for one in found:
        draw_marks(axes, one, page.theme)
    for label in lay_labels(axes, found, unit):
        draw_label(axes, label, page.theme)
    legend = [NO_SURFACE] if lost.any() else []
    for words in (w for one in found for w in drawn_words(one)):
        if words not in legend:
            legend.append(words)
    legend += [shown.note] if shown.note else []
    write_foot(page, box.bottom + 0.08, legend_lines(legend, U_WORDS))
    return page.figure
