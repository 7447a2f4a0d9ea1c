"""Captures that a camera took: a printed board in five poses and a free-form model (example scans of a public
repository, jakobwilm/slstudio, commit e7c4246b; GPL-3.0, not copied here).

The published calibration has no covariance and the print wrinkles by some 0.4 mm, so that neither is in the
stated uncertainties: what is tested is the mean square and the plane, not U.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from fringewise import make_surface, measure, read_capture
from fringewise.core.checks import Array
from fringewise.findings.finding import Finding
from fringewise.findings.kind import look_at
from fringewise.findings.marks import drawn_places
from fringewise.surface.surface import Surface

ROWS, COLUMNS = 9, 13
SQUARE_MM = 10.0
POSES = (1, 3, 4, 5, 6)
SEED = 20261125


@cache
def board(folder: Path, pose: int) -> tuple[Surface, Array]:
    """Give a pose's surface and its corners (9 × 13 × 2), found by OpenCV: an independent library."""
    capture = read_capture(folder / "real_rig" / f"board_{pose}")
    assert capture.photo is not None
    for flags in (0, cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_EXHAUSTIVE):
        found, corners = cv2.findChessboardCornersSB(capture.photo, (COLUMNS, ROWS), flags=flags)
        if found:
            return make_surface(capture), corners.reshape(ROWS, COLUMNS, 2).astype(np.float64)
    raise AssertionError("the independent finder must find the board")


def squares(corners: Array, rng: np.random.Generator) -> list[Finding]:
    """Mark both ends of every side of every square, a pixel off as a person is."""
    pairs = [*zip(corners[:, :-1].reshape(-1, 2), corners[:, 1:].reshape(-1, 2), strict=True)]
    pairs += zip(corners[:-1].reshape(-1, 2), corners[1:].reshape(-1, 2), strict=True)
    return [
        Finding(f"S{n}", "distance", {"ends_px": np.array(pair) + rng.normal(0, 1.0, (2, 2))})
        for n, pair in enumerate(pairs)
    ]


@pytest.mark.heavy
@pytest.mark.parametrize("pose", POSES)
def test_every_square_is_measured_and_their_mean_is_right(shared_data: Path, pose: int) -> None:
    surface, corners = board(shared_data, pose)
    findings = squares(corners, np.random.default_rng([SEED, pose]))
    made = measure(surface, findings, draws=0)  # the lengths are what is tested: no draws for their doubt
    assert len(findings) == 212
    assert [one.reason for one in made.results if one.reason] == []
    lengths = np.array([one.quantity("straight").value for one in made.results])
    # design's data page: independent decoding gave 9.93-10.04 mm, sd of single squares 0.05-0.07 mm
    assert lengths.mean() == pytest.approx(SQUARE_MM, abs=0.08)
    assert lengths.std() <= 0.08


@pytest.mark.parametrize("pose", POSES)
def test_corners_lie_on_a_plane(shared_data: Path, pose: int) -> None:
    surface, corners = board(shared_data, pose)
    places, drawn = drawn_places(look_at(surface), corners.reshape(-1, 2), 0.7)
    assert len(drawn) == ROWS * COLUMNS
    points = np.array([one.point_mm for one in places])
    off = points - points.mean(axis=0)
    normal = np.linalg.svd(off)[2][2]
    # an independent decoding gave 0.065-0.10 mm
    assert np.sqrt(np.mean((off @ normal) ** 2)) <= 0.11


@pytest.mark.parametrize("pose", POSES)
def test_a_head_at_rest_is_not_called_moved(shared_data: Path, pose: int) -> None:
    surface, _ = board(shared_data, pose)
    assert surface.motion is not None
    assert not surface.motion.moved


def test_the_free_form_model_has_a_surface_where_others_found_one(shared_data: Path) -> None:
    surface = make_surface(read_capture(shared_data / "real_rig" / "model"))
    depth = surface.xyz_mm[..., 2][surface.usable]
    # an independent decoding: 0.37 million pixels above 10 grey levels of modulation, depth 368-428 mm (1st
    # and 99th percentile of all of them; here of those that may be measured on)
    assert depth.size >= 300_000
    low, high = np.percentile(depth, [1, 99])
    assert low == pytest.approx(368, abs=5)
    assert high == pytest.approx(428, abs=5)
    assert surface.motion is not None
    assert not surface.motion.moved
    assert surface.noise_source != "head"
