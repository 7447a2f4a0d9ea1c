"""The page that pictures stand on: fields placed in inches, and text in the project's own type."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import Any, Final

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.text import Text

from fringewise.render.theme import FONT, HAIR_PT, SMALL_PT, TEXT_PT, TITLE_PT, VALUE_PT, Theme

WIDTH_IN: Final = 10.0
MARGIN_IN: Final = 0.4
DPI: Final = 150
POINTS_AN_INCH: Final = 72.0
FOOT_LINE_IN: Final = 0.19
HEAD_IN: Final = 1.62
"""Height of a page's head with its one number."""

_OF_WHAT_PT: Final = 14.0
_LETTER_EM: Final = 0.57


@dataclass(frozen=True, slots=True)
class Box:
    """A field of a page in inches from its top-left corner."""

    left: float
    top: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Its right side."""
        return self.left + self.width

    @property
    def bottom(self) -> float:
        """Its lower side."""
        return self.top + self.height


@dataclass(frozen=True, slots=True)
class Page:
    """A figure with its theme; places are inches from the top-left corner."""

    figure: Figure
    theme: Theme
    width: float
    height: float

    def axes(self, box: Box) -> Axes:
        """Make empty axes on a field, without frame, ticks or ground."""
        place = (
            box.left / self.width,
            1 - box.bottom / self.height,
            box.width / self.width,
            box.height / self.height,
        )
        axes = self.figure.add_axes(place)
        axes.set_axis_off()
        return axes

    def text(self, left: float, top: float, words: str, **how: Any) -> Text:
        """Write words whose baseline lies at `top`; `how` as for `lettering`."""
        return self.figure.text(
            left / self.width, 1 - top / self.height, words, **lettering(self.theme, **how)
        )

    def rule(self, left: float, top: float, right: float, bottom: float, **how: Any) -> Line2D:
        """Draw a hair line."""
        how = {"color": self.theme.rule, "linewidth": HAIR_PT, **how}
        x, y = [left / self.width, right / self.width], [1 - top / self.height, 1 - bottom / self.height]
        line = Line2D(x, y, transform=self.figure.transFigure, **how)
        self.figure.add_artist(line)
        return line


def new_page(height_in: float, theme: Theme, width_in: float = WIDTH_IN) -> Page:
    """Make an empty page; nothing is shared between pages."""
    figure = Figure(figsize=(width_in, height_in), dpi=DPI, facecolor=theme.paper)
    FigureCanvasAgg(figure)
    return Page(figure, theme, width_in, height_in)


def lettering(
    theme: Theme,
    *,
    size: float = TEXT_PT,
    color: str | None = None,
    weight: str = "normal",
    align: str = "left",
    base: str = "baseline",
) -> dict[str, Any]:
    """Give what any text on a picture is made with."""
    return {
        "fontproperties": FontProperties(family=FONT, size=size, weight=weight),
        "color": color or theme.ink,
        "horizontalalignment": align,
        "verticalalignment": base,
        "parse_math": False,
        "usetex": False,
    }


def text_width_in(page: Page, words: str, size: float) -> float:
    """Measure how wide words become."""
    probe = page.text(0, 0, words, size=size)
    renderer = page.figure.canvas.get_renderer()  # type: ignore[attr-defined]  # Agg's
    width = probe.get_window_extent(renderer).width / page.figure.dpi
    probe.remove()
    return float(width)


def wrapped(words: str, size: float, width_in: float) -> list[str]:
    """Break words into lines that fit a width, by the type's usual width of a letter."""
    letter_in = _LETTER_EM * size / POINTS_AN_INCH
    return textwrap.wrap(words, max(int(width_in / letter_in), 8))


def write_head(page: Page, title: str, under: str, value: str = "", of_what: str = "") -> float:
    """Write what a picture is, from what, and its one number; gives the top of what follows, in inches."""
    page.text(MARGIN_IN, 0.52, title, size=TITLE_PT, weight="bold")
    page.text(MARGIN_IN, 0.76, under, size=SMALL_PT, color=page.theme.quiet)
    if not value:
        return 1.0
    page.text(MARGIN_IN, 1.34, value, size=VALUE_PT)
    wide = text_width_in(page, value, VALUE_PT)
    page.text(MARGIN_IN + wide + 0.16, 1.34, of_what, size=_OF_WHAT_PT)
    return HEAD_IN


def write_foot(page: Page, top: float, lines: list[str]) -> None:
    """Write small lines from `top` downwards."""
    for n, words in enumerate(lines):
        page.text(MARGIN_IN, top + FOOT_LINE_IN * (n + 1), words, size=SMALL_PT, color=page.theme.quiet)


def legend_lines(words: list[str], *more: str) -> list[str]:
    """Set short explanations side by side into few lines, with `more` as lines of their own."""
    lines: list[str] = []
    most = int((WIDTH_IN - 2 * MARGIN_IN) * POINTS_AN_INCH / (_LETTER_EM * SMALL_PT))
    for one in words:
        longer = f"{lines[-1]}   ·   {one}" if lines else one
        if lines and len(longer) <= most:
            lines[-1] = longer
        else:
            lines.append(one)
    return [*lines, *more]
