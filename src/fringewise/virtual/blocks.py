"""Check blocks: a flat face, a step between two flat faces, a ball, each of known size."""

from __future__ import annotations

import math
from typing import Final, Literal

import numpy as np

from fringewise.capture.head import Head
from fringewise.core.checks import Array
from fringewise.virtual.face_truth import step_truth
from fringewise.virtual.grooves import Ledge
from fringewise.virtual.part import Part
from fringewise.virtual.patch import Scene
from fringewise.virtual.poses import random_view
from fringewise.virtual.reliefs import Box
from fringewise.virtual.sheets import Plane, Sheet, Sphere
from fringewise.virtual.standard import standard_head
from fringewise.virtual.truth import Marks, Truth, truth_documents

BlockKind = Literal["step", "flat", "sphere"]

BLOCK: Final = "block"
_POSES_TRIED: Final = 200


def block_scene(
    rng: np.random.Generator, standoff_mm: float, kind: BlockKind, *, head: Head | None = None
) -> Scene:
    """Draw a check block facing the head, tilted by up to 20°, with all its marks in view.

    Parameters
    ----------
    kind : {"step", "flat", "sphere"}
        A step of 0.1-1.5 mm (some with the upper face tilted), a flat face, a ball 6-16 mm in diameter.

    Raises
    ------
    ValueError
        No pose showed all the marks.

    Examples
    --------
    >>> scene = block_scene(np.random.default_rng(1), 15.0, "flat")
    >>> scene.truths["F1"]["quantities"]
    {'flatness': 0.0, 'rms': 0.0}
    """
    looking = head or standard_head()
    for _ in range(_POSES_TRIED):
        part, truth = _DRAWN[kind](rng, standoff_mm)
        view = random_view(rng, part.sheet, (0.0, 0.0), standoff_mm, looking, most_tilt_deg=20.0)
        if view.shows(np.concatenate([marks.st for marks in truth.marks])).all():
            return Scene((part,), view.rotation, view.translation_mm, truth_documents([truth]))
    raise ValueError(f"no pose shows the whole {kind} at {standoff_mm} mm: choose another stand-off")


def _step(rng: np.random.Generator, standoff_mm: float) -> tuple[Part, Truth]:
    height = math.exp(rng.uniform(math.log(0.1), math.log(1.5)))
    slope = float(rng.uniform(-0.02, 0.02)) if rng.uniform() < 0.3 else 0.0
    ledge = Ledge((0.0, 0.0), float(rng.uniform(-0.6, 0.6)), height, 0.5 * height + 0.05, slope)
    clear = ledge.wall_mm / 2 + 0.2 + height
    size = float(rng.uniform(0.1, 0.18)) * standoff_mm
    faces = [
        _turned(_rectangle(centre, size), ledge.angle_rad) for centre in (-clear - size / 2, clear + size / 2)
    ]
    truth = step_truth(ledge, "F1", BLOCK, faces[0], faces[1])
    return _block(Plane(), (ledge,)), truth


def _flat(rng: np.random.Generator, standoff_mm: float) -> tuple[Part, Truth]:
    size = float(rng.uniform(0.3, 0.55)) * standoff_mm
    outline = _turned(_rectangle(0.0, size), float(rng.uniform(0, math.pi)))
    quantities = {"flatness": 0.0, "rms": 0.0}
    return _block(Plane()), Truth("F1", "flat", "flat", quantities, (Marks("outline", BLOCK, outline),))


def _sphere(rng: np.random.Generator, standoff_mm: float) -> tuple[Part, Truth]:
    radius = float(rng.uniform(3.0, min(8.0, 0.5 * standoff_mm)))
    turn = np.linspace(0, 2 * math.pi, 12, endpoint=False)
    outline = 0.55 * radius * np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    quantities = {"diameter": 2 * radius, "form": 0.0}
    reach = 1.45 * radius
    part = Part(BLOCK, Sphere(radius), Box(-reach, reach, -reach, reach), mesh_step_mm=0.08)
    return part, Truth("F1", "sphere", "sphere", quantities, (Marks("outline", BLOCK, outline),))


_DRAWN: Final = {"step": _step, "flat": _flat, "sphere": _sphere}


def _block(sheet: Sheet, reliefs: tuple[Ledge, ...] = ()) -> Part:
    return Part(
        BLOCK, sheet, Box(-12, 12, -10, 10), reliefs=reliefs, tone=0.5, mesh_step_mm=0.1, fine_step_mm=0.08
    )


def _rectangle(centre_s: float, size: float) -> Array:
    half = size / 2
    corners = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    return np.asarray(corners + np.array([centre_s, 0.0]))


def _turned(st: Array, angle_rad: float) -> Array:
    cosine, sine = math.cos(angle_rad), math.sin(angle_rad)
    return np.asarray(st @ np.array([[cosine, sine], [-sine, cosine]]))
