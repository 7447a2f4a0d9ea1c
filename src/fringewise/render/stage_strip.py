"""A stage of blades as a small unrolled strip in counting order, each with its state's shape."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Polygon

from fringewise.render.page import MARGIN_IN, POINTS_AN_INCH, WIDTH_IN, Box, Page
from fringewise.render.shapes import STATES, State, draw_shape
from fringewise.render.theme import HAIR_PT, SMALL_PT, TEXT_PT, Theme

STRIP_ROW_IN: Final = 0.98
LEGEND_LINE_IN: Final = 0.27
_MOST_IN_A_ROW: Final = 40
_MOST_NAMED: Final = 12
_WIDE_IN: Final = WIDTH_IN - 2 * MARGIN_IN
_BLADE_HIGH_IN: Final = 0.62
_SHAPE_PT: Final = 10.5


@dataclass(frozen=True, slots=True)
class StageItem:
    """One blade of a stage: its number and its state."""

    number: int
    state: State


def strip_rows(items: Sequence[StageItem]) -> int:
    """How many rows a stage takes."""
    return max(math.ceil(len(items) / _MOST_IN_A_ROW), 1)


def draw_strips(page: Page, items: Sequence[StageItem], top: float) -> None:
    """Draw a stage's blades, numbers under them, from `top` (inches) downwards."""
    rows = strip_rows(items)
    each = math.ceil(len(items) / rows) if items else 1
    for n in range(rows):
        box = Box(MARGIN_IN, top + n * STRIP_ROW_IN, _WIDE_IN, STRIP_ROW_IN)
        axes = point_axes(page, box)
        step = box.width * POINTS_AN_INCH / max(each, 12)
        for k, item in enumerate(items[n * each : (n + 1) * each]):
            _draw_blade(axes, (k + 0.5) * step, step, item, page.theme)
            x = box.left + (k + 0.5) * step / POINTS_AN_INCH
            busy = item.state in {"measured", "not measured"}
            page.text(
                x, box.top + _BLADE_HIGH_IN + 0.2, str(item.number), size=SMALL_PT, align="center",
                color=page.theme.ink if busy else page.theme.quiet, weight="bold" if busy else "normal",
            )  # fmt: skip


def _draw_blade(axes: Axes, x: float, step: float, item: StageItem, theme: Theme) -> None:
    """A blade as seen from the front, leaning a little as twisted blades do, its state's shape on it."""
    high, half = _BLADE_HIGH_IN * POINTS_AN_INCH, 0.5 * min(step, 26.0)
    top = axes.get_ylim()[1] - HAIR_PT
    share = np.linspace(0, 1, 14)
    lean = 0.16 * half * np.sin(np.pi * share)
    left = np.column_stack([x - half * (0.82 - 0.1 * share) - lean, top - high * (1 - share)])
    right = np.column_stack([x + half * (0.82 - 0.1 * share) - lean, top - high * (1 - share)])
    axes.add_patch(
        Polygon(
            np.vstack([left, right[::-1]]), closed=True, facecolor=theme.panel, edgecolor=theme.quiet,
            linewidth=HAIR_PT, joinstyle="round",
        )
    )  # fmt: skip
    size = min(_SHAPE_PT, 1.15 * half)
    draw_shape(axes, (x - 0.14 * half, top - 0.5 * high), size, item.state, theme.ink)


def legend_of(items: Sequence[StageItem]) -> list[tuple[State, str]]:
    """Each state that occurs, with its words, count and, where they are few, the blades' numbers."""
    legend: list[tuple[State, str]] = []
    for state in STATES:
        numbers = [item.number for item in items if item.state == state]
        if numbers:
            which = (
                f":  {', '.join(map(str, numbers))}"
                if len(numbers) <= _MOST_NAMED and state != "no damage seen"
                else ""
            )
            legend.append((state, f"{state}, {len(numbers)}{which}"))
    return legend


def draw_legend(page: Page, legend: Sequence[tuple[State, str]], top: float) -> None:
    """Draw each state's shape with its words, one line each."""
    for n, (state, words) in enumerate(legend):
        at = top + LEGEND_LINE_IN * n
        axes = point_axes(page, Box(MARGIN_IN, at - 0.16, 0.25, 0.25))
        draw_shape(axes, (9.0, 10.5), _SHAPE_PT, state, page.theme.ink)
        page.text(MARGIN_IN + 0.32, at, words, size=TEXT_PT)


def point_axes(page: Page, box: Box) -> Axes:
    """Make axes on a field that count points of the page from its lower left."""
    axes = page.axes(box)
    axes.set_xlim(0, box.width * POINTS_AN_INCH)
    axes.set_ylim(0, box.height * POINTS_AN_INCH)
    return axes
