"""Random poses of a sheet before a head."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from fringewise.capture.head import Head, rotation_from_vector
from fringewise.core.checks import Array
from fringewise.virtual.sheets import Sheet
from fringewise.virtual.sizes import frame_on
from fringewise.virtual.view import View

_TO_HEAD: Final = np.diag([1.0, -1.0, -1.0])
"""Turns the part's frame (normal +z, span +y) to the head: normal towards it, span up in the picture."""


def random_view(
    rng: np.random.Generator,
    sheet: Sheet,
    aim_st: tuple[float, float],
    standoff_mm: float,
    head: Head,
    *,
    most_tilt_deg: float = 25.0,
    pitch_deg: float = 0.0,
) -> View:
    """Pose a sheet at random: the place aimed at near the picture's middle, its normal tilted to the axis.

    Parameters
    ----------
    aim_st : (float, float)
        The place of the sheet that is aimed at.
    standoff_mm : float
        Its distance along the camera's axis.
    most_tilt_deg : float
        Greatest random tilt of its normal to the camera's axis, in any direction.
    pitch_deg : float
        A turn about the picture's horizontal before that; negative looks up the span from below.
    """
    first, normals = frame_on(sheet, np.array([aim_st]))
    level = _frame_towards_z(first.s[0], normals[0])
    tilt = math.radians(most_tilt_deg) * math.sqrt(rng.uniform())
    way, roll = rng.uniform(0, 2 * math.pi), math.radians(rng.uniform(-25, 25))
    turn = rotation_from_vector(tilt * np.array([math.cos(way), math.sin(way), 0.0]))
    pitch = rotation_from_vector(np.array([math.radians(pitch_deg), 0.0, 0.0]))
    rotation = turn @ rotation_from_vector(np.array([0.0, 0.0, roll])) @ pitch @ _TO_HEAD @ level
    # the pattern lights from the right of the camera, so what is looked at lies a little to the right
    aside = 1.3 / standoff_mm + rng.uniform(-0.05, 0.05)
    target = standoff_mm * np.array([aside, rng.uniform(-0.05, 0.05), 1.0])
    return View(sheet, rotation, target - rotation @ first.x[0], head)


def _frame_towards_z(along: Array, normal: Array) -> Array:
    # rotation that takes `normal` to +z and `along` to +x
    x = along / np.linalg.norm(along)
    return np.stack([x, np.cross(normal, x), normal])
