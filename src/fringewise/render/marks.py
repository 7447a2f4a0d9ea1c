"""Marks on a photo: small and hollow, joined by hair lines, so that the metal under them is seen."""

from __future__ import annotations

from typing import Any, Final

import matplotlib.patheffects as effects
import numpy as np
from matplotlib.axes import Axes

from fringewise.core.checks import Array
from fringewise.findings.finding import DrawnMark, FindingResult
from fringewise.render.theme import HAIR_PT, Theme

_MARK_PT: Final = 5.0
_DRAWN_PT: Final = 10.0
_CASING: Final = "#14110e"

CLOSED_MARKS: Final = frozenset({"outline_px", "lower_px", "upper_px"})


def cased(width_pt: float) -> list[effects.AbstractPathEffect]:
    """Put a dark line under a bright one, so that it is seen on any metal."""
    return [effects.Stroke(linewidth=width_pt + 1.3, foreground=_CASING, alpha=0.55), effects.Normal()]


def line_on_photo(axes: Axes, points_px: Array, theme: Theme, **how: Any) -> None:
    """Draw a hair line through points (N, 2) of the photo."""
    width = how.pop("linewidth", HAIR_PT)
    how = {"color": theme.accent_on_photo, "zorder": 4, "path_effects": cased(width), **how}
    axes.plot(points_px[:, 0], points_px[:, 1], linewidth=width, solid_capstyle="butt", **how)


def draw_marks(axes: Axes, result: FindingResult, theme: Theme) -> None:
    """Draw a finding's marks and lines; a mark drawn to a feature is a ring round the place it went to."""
    lines = result.drawing.lines_px or tuple(_joins(result))
    for line in lines:
        if len(line) > 1:
            line_on_photo(axes, _closed(line) if _is_outline(result, line) else line, theme)
    _rings(axes, placed_marks(result), _MARK_PT, theme)
    for one in result.drawing.drawn:
        _draw_drawn(axes, one, theme)


def placed_marks(result: FindingResult) -> Array:
    """Give the marks (N, 2) that were used where they were placed."""
    moved = {one.placed_px for one in result.drawing.drawn}
    placed = [mark for marks in result.finding.marks.values() for mark in marks if tuple(mark) not in moved]
    return np.array(placed).reshape(-1, 2)


def anchor_points(result: FindingResult) -> Array:
    """All places of a finding on the photo (N, 2): its marks and lines."""
    parts = [*result.finding.marks.values(), *result.drawing.lines_px]
    parts += [np.array([one.used_px]) for one in result.drawing.drawn]
    return np.vstack(parts) if parts else np.empty((0, 2))


def _joins(result: FindingResult) -> list[Array]:
    return [_closed(marks) if name in CLOSED_MARKS else marks for name, marks in result.finding.marks.items()]


def _is_outline(result: FindingResult, line: Array) -> bool:
    """Whether a line runs round a finding's outline, so that its last point joins its first."""
    outline = result.finding.marks.get("outline_px")
    return outline is not None and len(line) > 2 and bool(np.hypot(*(line[0] - outline[0])) < 1.0)


def _closed(points: Array) -> Array:
    return np.vstack([points, points[:1]])


def _rings(axes: Axes, points_px: Array, size_pt: float, theme: Theme) -> None:
    axes.plot(
        points_px[:, 0],
        points_px[:, 1],
        linestyle="none",
        marker="o",
        markersize=size_pt,
        markerfacecolor="none",
        markeredgecolor=theme.accent_on_photo,
        markeredgewidth=0.9,
        path_effects=[effects.Stroke(linewidth=1.8, foreground=_CASING, alpha=0.4), effects.Normal()],
        zorder=5,
    )


def _draw_drawn(axes: Axes, one: DrawnMark, theme: Theme) -> None:
    """A ring round the feature, and a hair line from where the mark was placed, if that shows at all."""
    line_on_photo(axes, np.array([one.placed_px, one.used_px]), theme)
    _rings(axes, np.array([one.used_px]), _DRAWN_PT, theme)
    axes.plot(
        *one.used_px, marker="+", markersize=_MARK_PT, markeredgewidth=0.8, color=theme.accent_on_photo,
        path_effects=cased(0.8), zorder=5,
    )  # fmt: skip
