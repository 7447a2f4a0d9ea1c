"""States of a blade as shapes of their own, told apart in black and white at 12 px."""

from __future__ import annotations

from typing import Final, Literal, get_args

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Circle, Patch, Polygon

State = Literal["no damage seen", "measured", "not measured", "not looked at"]

STATES: Final[tuple[State, ...]] = get_args(State)
"""In the order in which a legend names them."""

_STROKE_PT: Final = 1.5
_SLIM: Final = 0.13


def draw_shape(axes: Axes, place_pt: tuple[float, float], size_pt: float, state: State, color: str) -> None:
    """Draw a state's shape round a place; the axes count points of the page.

    A hollow ring: no damage seen; a full disc: measured; a cross: not measured; a bar: not looked at.
    """
    x, y = place_pt
    half = size_pt / 2
    for patch in _patches(x, y, half, state, color):
        patch.set_zorder(5)
        axes.add_patch(patch)


def _patches(x: float, y: float, half: float, state: State, color: str) -> list[Patch]:
    if state == "no damage seen":
        inner = half - _STROKE_PT / 2
        return [Circle((x, y), inner, facecolor="none", edgecolor=color, linewidth=_STROKE_PT)]
    if state == "measured":
        return [Circle((x, y), half, facecolor=color, edgecolor="none")]
    if state == "not measured":
        return [_bar(x, y, half, turn, color) for turn in (np.pi / 4, -np.pi / 4)]
    return [_bar(x, y, 0.8 * half, 0.0, color)]


def _bar(x: float, y: float, half: float, turn: float, color: str) -> Polygon:
    along = np.array([np.cos(turn), np.sin(turn)]) * half
    across = np.array([-np.sin(turn), np.cos(turn)]) * half * _SLIM * 1.6
    middle = np.array([x, y])
    corners = middle + np.array([along + across, along - across, -along - across, across - along])
    return Polygon(corners, closed=True, facecolor=color, edgecolor="none")
