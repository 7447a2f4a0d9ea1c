"""Printed calibration targets as parts: a checkerboard or dots on a sheet that may be bent and ill printed.

A target's own frame has x along its rows, y down its columns and z away from the head; the part's parameters
are s = x, t = −y, so that the part's normal looks at the head.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from fringewise.core.checks import Array, positive, shaped
from fringewise.virtual.paint import PAINT_EDGE_MM
from fringewise.virtual.part import Part
from fringewise.virtual.patch import Scene
from fringewise.virtual.reliefs import Box, Height
from fringewise.virtual.sheets import Plane

BOARD: Final = "board"

_TO_PART: Final = np.diag([1.0, -1.0, -1.0])
_INK: Final = 0.08
_PAPER: Final = 0.75


@dataclass(frozen=True, slots=True)
class Waves:
    """A gentle bend: h = Σ a cos(k·(s, t) + φ), a relief over the whole sheet.

    Attributes
    ----------
    amplitude_mm, phase_rad : (K,) arrays
    wave : (K, 2) array
        rad for each mm.
    """

    amplitude_mm: Array
    wave: Array
    phase_rad: Array

    @property
    def box(self) -> Box:
        """Everywhere."""
        return Box(-np.inf, np.inf, -np.inf, np.inf)

    def height(self, s: Array, t: Array) -> Height:
        """Displacement and derivatives at (s, t), each (N,)."""
        turn = np.outer(s, self.wave[:, 0]) + np.outer(t, self.wave[:, 1]) + self.phase_rad
        slope = -np.sin(turn) * self.amplitude_mm
        h = np.cos(turn) @ self.amplitude_mm
        return Height(h, slope @ self.wave[:, 0], slope @ self.wave[:, 1])


@dataclass(frozen=True, slots=True)
class CheckerPrint:
    """A checkerboard whose inner corners lie where they were printed.

    Attributes
    ----------
    nodes_st : (rows, columns, 2) array
        The inner corners; lines between them are straight, and go on for one square all round.
    pitch_mm : float
        Nominal.
    albedo : float
        Of the dark squares; the square beyond the first corner is dark.
    """

    nodes_st: Array
    pitch_mm: float
    albedo: float = _INK

    def __post_init__(self) -> None:
        shaped("a board's nodes", self.nodes_st, None, None, 2)
        positive("a board's pitch", self.pitch_mm)

    @property
    def box(self) -> Box:
        """Where it may cover the sheet."""
        return _box_round(self.nodes_st, 1.2 * self.pitch_mm)

    def cover(self, s: Array, t: Array) -> Array:
        """Share covered, 0 … 1."""
        rows, columns = self.nodes_st.shape[:2]
        across, down = _grid_place(self.nodes_st, self.pitch_mm, s, t)
        inside = (across > -1) & (across < columns) & (down > -1) & (down < rows)
        first, second = (self._stripes(one) for one in (across, down))
        return np.where(inside, 0.5 + 0.5 * first * second, 0.0)

    def _stripes(self, place: Array) -> Array:
        """−1 or 1 from line to line, with the paint's soft edge between."""
        line = np.round(place)
        off = np.clip((place - line) * self.pitch_mm / (PAINT_EDGE_MM / 2), -1, 1)
        return np.asarray(off * np.where(line % 2 == 0, 1.0, -1.0))


@dataclass(frozen=True, slots=True)
class DotPrint:
    """Round dots centred where they were printed: `nodes_st` (rows, columns, 2)."""

    nodes_st: Array
    pitch_mm: float
    radius_mm: float
    albedo: float = _INK

    def __post_init__(self) -> None:
        shaped("a board's nodes", self.nodes_st, None, None, 2)
        if not 0 < self.radius_mm < self.pitch_mm / 2:
            raise ValueError(f"a dot's radius must be from 0 to half the pitch (found {self.radius_mm})")

    @property
    def box(self) -> Box:
        """Where it may cover the sheet."""
        return _box_round(self.nodes_st, self.pitch_mm)

    def cover(self, s: Array, t: Array) -> Array:
        """Share covered, 0 … 1."""
        rows, columns = self.nodes_st.shape[:2]
        across, down = _grid_place(self.nodes_st, self.pitch_mm, s, t)
        i = np.clip(np.round(down), 0, rows - 1).astype(int)
        j = np.clip(np.round(across), 0, columns - 1).astype(int)
        apart = np.hypot(s - self.nodes_st[i, j, 0], t - self.nodes_st[i, j, 1])
        return np.asarray(np.clip(0.5 + (self.radius_mm - apart) / PAINT_EDGE_MM, 0.0, 1.0))


def board_scene(
    kind: Literal["checkerboard", "dots"],
    places_mm: Array,
    pitch_mm: float,
    bend: Waves,
    rotation: Array,
    translation_mm: Array,
    *,
    dark_on_light: bool = True,
) -> Scene:
    """Give a printed target in a pose.

    Parameters
    ----------
    places_mm : (rows, columns, 2) array
        Where the corners or dots were printed, in the target's frame (x, y).
    pitch_mm : float
        Nominal.
    bend : Waves
    rotation : (3, 3) array
    translation_mm : (3,) array
        A place X of the target lies at rotation · X + translation_mm in the camera frame.
    dark_on_light : bool
        Of dots; a dot's radius is 0.3 of the pitch.
    """
    nodes = places_mm * np.array([1.0, -1.0])
    ink, paper = (_INK, _PAPER) if dark_on_light or kind == "checkerboard" else (_PAPER, _INK)
    paint = (
        CheckerPrint(nodes, pitch_mm, ink)
        if kind == "checkerboard"
        else DotPrint(nodes, pitch_mm, 0.3 * pitch_mm, ink)
    )
    outline = _box_round(nodes, 1.7 * pitch_mm)
    sheet = Part(
        BOARD,
        Plane(),
        outline,
        reliefs=(bend,),
        paints=(paint,),
        tone=paper,
        mesh_step_mm=0.4,
        fine_step_mm=0.4,
    )
    return Scene((sheet,), rotation @ _TO_PART, translation_mm)


def places_in_space(places_mm: Array, bend: Waves) -> Array:
    """The printed places (rows · columns, 3) of a bent target in its own frame."""
    flat = places_mm.reshape(-1, 2)
    height = bend.height(flat[:, 0], -flat[:, 1]).h
    return np.column_stack([flat, -height])


def _grid_place(nodes: Array, pitch_mm: float, s: Array, t: Array) -> tuple[Array, Array]:
    """Places counted in columns and rows: whole numbers on the printed lines."""
    rows, columns = nodes.shape[:2]
    even = _even_grid(nodes, pitch_mm)
    off = (nodes - even) / pitch_mm  # by how much each node is off, in squares
    across = (s - even[0, 0, 0]) / pitch_mm
    down = -(t - even[0, 0, 1]) / pitch_mm
    for _ in range(2):  # the offsets are small: twice is enough
        moved = _between(off, across, down, rows, columns)
        across = (s - even[0, 0, 0]) / pitch_mm - moved[:, 0]
        down = -(t - even[0, 0, 1]) / pitch_mm + moved[:, 1]
    return across, down


def _even_grid(nodes: Array, pitch_mm: float) -> Array:
    rows, columns = nodes.shape[:2]
    j, i = np.meshgrid(np.arange(columns), np.arange(rows))
    even = pitch_mm * np.stack([j - (columns - 1) / 2, -(i - (rows - 1) / 2)], axis=-1)
    return np.asarray(even + nodes.mean(axis=(0, 1)))


def _between(off: Array, across: Array, down: Array, rows: int, columns: int) -> Array:
    x, y = np.clip(across, 0, columns - 1), np.clip(down, 0, rows - 1)
    j, i = np.minimum(x.astype(int), columns - 2), np.minimum(y.astype(int), rows - 2)
    a, b = (x - j)[:, None], (y - i)[:, None]
    upper = (1 - a) * off[i, j] + a * off[i, j + 1]
    lower = (1 - a) * off[i + 1, j] + a * off[i + 1, j + 1]
    return np.asarray((1 - b) * upper + b * lower)


def _box_round(nodes: Array, margin: float) -> Box:
    (s_low, t_low), (s_high, t_high) = nodes.min(axis=(0, 1)), nodes.max(axis=(0, 1))
    return Box(float(s_low - margin), float(s_high + margin), float(t_low - margin), float(t_high + margin))
