"""Motion in captures of the virtual head, whose renderer shares nothing with decoding."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fringewise.capture import Camera, Head
from fringewise.phase import decode
from fringewise.virtual import Exposure, Pose, cast, drift, render_hits, standard_head, standard_plan
from fringewise.virtual.scenes import random_blade_scene

SEED = 91
SCENES, LOOKS = 4, 6


def head_with_a_narrower_view() -> Head:
    """The middle of the standard head's picture: fewer pixels to judge by: motion is harder to see."""
    head = standard_head()
    lens = head.camera.lens
    return replace(head, camera=Camera(720, 540, replace(lens, cx=lens.cx - 120, cy=lens.cy - 90)))


def exposure_of(look: int, poses: tuple[Pose, ...], rng: np.random.Generator) -> Exposure:
    """A straight response, a bent one with deposits, or gloss: in turn."""
    return Exposure(
        level_share=rng.uniform(0.25, 0.4),
        gamma=1.05 if look // 2 == 1 else 1.0,
        gloss=0.6 if look // 2 == 2 else 0.0,
        soot=0.3 if look // 2 == 1 else 0.0,
        aperture_mm=0.05,
        shake=poses,
        photo="none",
    )


@pytest.mark.heavy
def test_motion_of_rendered_blades_is_found_and_stillness_left_alone() -> None:
    """Blades at 17 mm that drift by 20 µm in a random direction, or stay.

    204 looks of the whole standard head (seeds [20261125, 100 … 133]): all 102 that moved were found, none of
    the 102 that stayed was called moved.
    """
    head, plan = head_with_a_narrower_view(), standard_plan()
    found = {True: 0, False: 0}
    for number in range(SCENES):
        rng = np.random.default_rng([SEED, number])
        scene = random_blade_scene(
            rng, 17.0, ["dent"], head=head, backdrop="casing" if number % 2 else "empty"
        )
        hits = cast(scene, head, 1)
        for look in range(LOOKS):
            way, moves = rng.normal(size=3), look % 2 == 1
            poses = drift(0.02 * way / np.linalg.norm(way), 12) if moves else ()
            capture = render_hits(hits, plan, exposure_of(look, poses, rng), rng).capture
            found[moves] += decode(capture).motion.moved
    assert found[True] >= SCENES * LOOKS // 2 - 1
    assert found[False] == 0
