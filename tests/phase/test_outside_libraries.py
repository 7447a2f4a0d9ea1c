"""Independent libraries agree on the same frames."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from phase.looks import even, look_at
from skimage import restoration

from fringewise.capture import FringeSet
from fringewise.phase import decode

V, U = np.mgrid[:200, :260]
COLUMN = 0.5 + 0.0012 * (U - 130) + 0.0004 * (V - 100) + 2e-6 * (U - 130) ** 2
PLAN = [FringeSet(f, even(4)) for f in (1, 7, 49)]


def test_spatial_unwrapping_by_scikit_image_agrees_up_to_whole_turns() -> None:
    capture = look_at(COLUMN, PLAN, np.random.default_rng(41))
    i0, i1, i2, i3 = capture.sets[2].frames.astype(np.float64)
    unwrap_phase: Any = restoration.unwrap_phase
    unwrapped = unwrap_phase(np.arctan2(i3 - i1, i0 - i2))
    turns = decode(capture).column * 49.0 - unwrapped / (2 * np.pi)
    whole = np.round(np.median(turns))
    assert np.abs(turns - whole).max() < 1e-5 * 49


def test_phase_and_modulation_by_opencv_agree() -> None:
    capture = look_at(COLUMN, PLAN[:1], np.random.default_rng(42))
    i0, i1, i2, i3 = capture.sets[0].frames.astype(np.float32)
    size, angle = cv2.cartToPolar((i0 - i2) / 2, (i3 - i1) / 2)
    found = decode(capture)
    off = np.angle(np.exp(1j * (2 * np.pi * found.column.astype(np.float64) - angle)))
    assert np.abs(off).max() < np.radians(0.3)  # OpenCV states about 0.3° for its arctangent
    np.testing.assert_allclose(found.modulation, size, rtol=1e-5)
