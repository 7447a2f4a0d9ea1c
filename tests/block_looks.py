"""A check block with a 10 mm length between two dots and a 10 mm flat, rendered and marked, for tests."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from fringewise.capture import Capture, Head
from fringewise.capture.head import rotation_from_vector
from fringewise.core.checks import Array
from fringewise.equipment.documents import BlockDocument
from fringewise.findings.finding import Finding
from fringewise.virtual import Exposure, Scene, patch_pixels, render, standard_plan
from fringewise.virtual.paint import Dot
from fringewise.virtual.part import Part
from fringewise.virtual.reliefs import Box
from fringewise.virtual.sheets import Plane

ENDS_MM: Final = np.array([[-5.0, 0.0], [5.0, 0.0]])
FACE_MM: Final = np.array([[-5.0, 0.7], [5.0, 0.7], [5.0, 4.4], [-5.0, 4.4]])
BLOCK: Final[dict[str, Any]] = {
    "format": "fringewise.block/1",
    "id": "B-12",
    "certificate": "invented 4711",
    "calibrated_on": "2026-02-02",
    "valid_until": "2028-02-02",
    "features": [
        {
            "finding": "L1", "kind": "distance", "quantity": "straight", "unit": "mm", "value": 10.0,
            "expanded_uncertainty": 0.001, "coverage_factor": 2.0, "permissible_error": 0.06,
        },
        {
            "finding": "P1", "kind": "flat", "quantity": "flatness", "unit": "mm", "value": 0.0,
            "expanded_uncertainty": 0.001, "coverage_factor": 2.0, "permissible_error": 0.06,
        },
    ],
}  # fmt: skip


def block(**changes: Any) -> BlockDocument:
    """Give the block's document."""
    return BlockDocument.model_validate(BLOCK | changes)


def block_look(
    true: Head, stated: Head, rng: np.random.Generator, standoff_mm: float = 12.0, rays: int = 5
) -> tuple[Capture, list[Finding]]:
    """Give a capture of the block taken with a head that is `true` and states `stated`, and its marks."""
    dots = tuple(Dot((float(s), float(t)), radius_mm=0.35) for s, t in ENDS_MM)
    part = Part(
        "block", Plane(), Box(-6.5, 6.5, -4.8, 4.8), paints=dots, tone=0.5, gloss=0.0, mesh_step_mm=0.3
    )
    tilt = rotation_from_vector([*np.radians(rng.uniform(-6, 6, 2)), np.radians(rng.uniform(-4, 4))])
    place = np.array([0.9 + rng.uniform(-0.2, 0.2), rng.uniform(-0.2, 0.2), standoff_mm])
    scene = Scene((part,), tilt @ np.diag([1.0, -1.0, -1.0]), place)
    made = render(scene, true, standard_plan(), Exposure(), rng, rays_per_pixel=rays, stated_head=stated)

    def seen(st: Array) -> Array:
        return patch_pixels(scene, true, "block", st[:, 0], st[:, 1]) + rng.normal(0, 0.7, (len(st), 2))

    marks = [
        Finding("L1", "distance", {"ends_px": seen(ENDS_MM)}, whole_extent_in_view="yes"),
        Finding("P1", "flat", {"outline_px": seen(FACE_MM)}, whole_extent_in_view="yes"),
    ]
    return made.capture, marks
