"""A sheet posed before a head: what of it is seen and lit well, and which lines look straight."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from fringewise.capture.head import Head
from fringewise.core.checks import Array
from fringewise.virtual.optics import pattern_place, project, projector_centre
from fringewise.virtual.patch import BoolArray
from fringewise.virtual.sheets import Sheet
from fringewise.virtual.sizes import frame_on

_RIM_SHARE: Final = 0.07
"""Share of the picture and of the pattern at each rim where no damage is put."""

_STEEPEST: Final = math.cos(math.radians(55.0))


@dataclass(frozen=True, slots=True)
class View:
    """A sheet and its pose: X_camera = rotation · X + translation_mm."""

    sheet: Sheet
    rotation: Array
    translation_mm: Array
    head: Head

    def in_camera(self, st: Array) -> Array:
        """Points (n, 3) of the undamaged sheet in the camera's frame, mm."""
        points, _ = frame_on(self.sheet, st)
        return np.asarray(points.x @ self.rotation.T + self.translation_mm)

    def shows(self, st: Array) -> BoolArray:
        """Which rows of (s, t) are well within the picture and the pattern and not seen or lit at a slant."""
        first, normals = frame_on(self.sheet, st)
        points = first.x @ self.rotation.T + self.translation_mm
        normals = normals @ self.rotation.T
        u, v = project(points, self.head)
        column, _ = pattern_place(points, self.head)
        camera = self.head.camera
        low, high = _RIM_SHARE, 1 - _RIM_SHARE
        inside = (u > low * camera.width) & (u < high * camera.width)
        inside &= (v > low * camera.height) & (v < high * camera.height)
        inside &= (column > low) & (column < high)
        light = projector_centre(self.head) - points
        return np.asarray(inside & _faces(normals, -points) & _faces(normals, light))

    def lines_seen_straight(self, corners_st: Array, steps: int, *, closed: bool = True) -> list[Array]:
        """Sides of an outline or path that are straight in the undistorted image: rows of (s, t) each.

        Each side has 2 · steps + 1 rows, its corners first and last.
        """
        corners = self.in_camera(corners_st)
        looks = corners[:, :2] / corners[:, 2:]
        share = np.linspace(0.0, 1.0, 2 * steps + 1)[:, None]
        sides = []
        for n in range(len(corners_st) if closed else len(corners_st) - 1):
            m = (n + 1) % len(corners_st)
            guess = corners_st[n] + share * (corners_st[m] - corners_st[n])
            sides.append(self.place_seen(looks[n] + share * (looks[m] - looks[n]), guess))
        return sides

    def place_seen(self, looks: Array, guess_st: Array) -> Array:
        """Where the sheet is met along directions (x/z, y/z), (n, 2): Newton steps from a guess in (s, t)."""
        st = guess_st.copy()
        for _ in range(30):
            first, _ = frame_on(self.sheet, st)
            point = first.x @ self.rotation.T + self.translation_mm
            along_s, along_t = first.s @ self.rotation.T, first.t @ self.rotation.T
            miss = point[:, :2] - looks * point[:, 2:]
            a, b = along_s[:, :2] - looks * along_s[:, 2:], along_t[:, :2] - looks * along_t[:, 2:]
            under = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
            step_s = (b[:, 1] * miss[:, 0] - b[:, 0] * miss[:, 1]) / under
            step_t = (a[:, 0] * miss[:, 1] - a[:, 1] * miss[:, 0]) / under
            st -= np.stack([step_s, step_t], axis=-1)
            if max(np.abs(step_s).max(), np.abs(step_t).max()) < 1e-12:
                break
        return st


def _faces(normals: Array, towards: Array) -> BoolArray:
    length = np.linalg.norm(towards, axis=1)
    return np.asarray(np.einsum("ni,ni->n", normals, towards) > _STEEPEST * length)
