"""Marks are drawn to dots and corners where there are any, and stay where there are none."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from feature_photos import Array, crossing, dot, photo_of

from fringewise.calibrate.features import Feature, draw_to_feature, find_corner, find_dot, on_plane
from fringewise.capture.lens import Lens

NOISE_DN = 1.5
SEED = 20261125


@pytest.mark.parametrize("radius_px", [4.0, 8.0, 14.0])
def test_dots_are_found_to_0_03_px(radius_px: float) -> None:
    rng = np.random.default_rng(SEED)
    errors = []
    for _ in range(12):
        place = 32 + rng.uniform(-0.5, 0.5, 2)
        photo = photo_of(dot(), _at(place, radius_px), blur_px=0.7, noise_dn=NOISE_DN, rng=rng)
        found = find_dot(photo, *(place + rng.normal(0, 1.0, 2)))
        assert found is not None
        errors.append([found.u - place[0], found.v - place[1]])
    assert np.sqrt(np.mean(np.square(errors))) <= 0.03


def test_corners_are_found_to_0_05_px() -> None:
    rng = np.random.default_rng(SEED)
    errors = []
    for _ in range(12):
        place = 32 + rng.uniform(-0.5, 0.5, 2)
        turn = rng.uniform(0, np.pi / 2)
        homography = _at(place, 1.0) @ _turn(turn)
        photo = photo_of(crossing(), homography, blur_px=0.7, noise_dn=NOISE_DN, rng=rng)
        found = find_corner(photo, *(place + rng.normal(0, 1.0, 2)))
        assert found is not None
        errors.append([found.u - place[0], found.v - place[1]])
    assert np.sqrt(np.mean(np.square(errors))) <= 0.05


def test_stated_scatter_of_dots_agrees_with_the_scatter() -> None:
    rng = np.random.default_rng(SEED)
    place, errors, stated = np.array([31.7, 32.2]), [], []
    for _ in range(40):
        photo = photo_of(dot(), _at(place, 6.0), blur_px=0.7, noise_dn=6.0, rng=rng)
        found = find_dot(photo, *place)
        assert found is not None
        errors.append([found.u - place[0], found.v - place[1]])
        stated.append(found.sigma_px)
    assert np.std(errors) <= 1.3 * np.mean(stated)


def test_plain_noisy_metal_has_no_feature() -> None:
    rng = np.random.default_rng(SEED)
    finds = 0
    for _ in range(200):
        slope = rng.uniform(-0.4, 0.4, 2)
        v, u = np.mgrid[:120, :120]
        level = 110 + slope[0] * (u - 60) + slope[1] * (v - 60) + rng.normal(0, NOISE_DN, (120, 120))
        photo = np.clip(np.rint(level), 0, 255).astype(np.uint8)
        finds += draw_to_feature(photo, (60.0, 60.0)) is not None
    assert finds <= 2


@pytest.mark.parametrize("across_deg", [0.0, 33.0, 90.0])
def test_an_edge_is_no_feature(across_deg: float) -> None:
    rng = np.random.default_rng(SEED)
    v, u = np.mgrid[:120, :120] - 60.3
    side = u * np.cos(np.radians(across_deg)) + v * np.sin(np.radians(across_deg))
    photo = np.clip(90 + 50 * np.tanh(side / 0.8) + rng.normal(0, NOISE_DN, side.shape), 0, 255)
    assert draw_to_feature(photo.astype(np.uint8), (60.0, 60.0)) is None


def test_a_feature_out_of_reach_is_left_alone() -> None:
    photo = photo_of(dot(), _at(np.array([32.0, 32.0]), 5.0), blur_px=0.7)
    assert draw_to_feature(photo, (12.0, 12.0)) is None


def test_a_tilted_dots_centre_is_that_on_its_plane() -> None:
    lens = Lens(700.0, 700.0, 479.5, 359.5)
    radius_mm, distance_mm, tilt = 0.25, 10.0, np.radians(30)
    turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    across = np.array([np.cos(tilt), 0.0, np.sin(tilt)])
    rim = radius_mm * (np.cos(turn)[:, None] * across + np.sin(turn)[:, None] * [0.0, 1.0, 0.0])
    rim += np.array([0.0, 0.0, distance_mm])
    u, v = lens.pixel(rim[:, 0] / rim[:, 2], rim[:, 1] / rim[:, 2])
    (cu, cv), (major, minor), angle = cv2.fitEllipse(np.column_stack([u, v]).astype(np.float32))
    # f R² sin τ cos τ / Z², first order in R/Z (check by hand)
    expected = 700 * radius_mm**2 * np.sin(tilt) * np.cos(tilt) / distance_mm**2
    assert abs(cu - lens.cx) == pytest.approx(expected, rel=0.1)
    half = np.radians(2 * angle)
    mean, lean = (major + minor) / 4, (major - minor) / 4
    seen = Feature("dot", cu, cv, 0.01, (mean, lean * np.cos(half), lean * np.sin(half)))
    normal = np.array([-np.sin(tilt), 0.0, np.cos(tilt)])
    moved = on_plane(seen, lens, normal)
    assert moved.u == pytest.approx(lens.cx, abs=0.01)
    assert moved.v == pytest.approx(lens.cy, abs=0.01)


def test_board_corners_lie_smoother_than_an_independent_finders(shared_data: Path) -> None:
    # OpenCV's findChessboardCornersSB on a printed board seen by a real camera; an independent library. The
    # board's corners lie on a smooth grid; what is left about it is the finder's scatter and the print's.
    path = shared_data / "real_rig" / "board_3" / "frames" / "photo.png"
    photo = cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_GRAYSCALE)
    assert photo is not None
    found, corners = cv2.findChessboardCornersSB(photo, (13, 9))
    assert found
    theirs = corners.reshape(-1, 2).astype(np.float64)
    rng = np.random.default_rng(SEED)
    ours = [find_corner(photo, *(place + rng.normal(0, 1.0, 2))) for place in theirs]
    assert all(one is not None for one in ours)
    places = np.array([(one.u, one.v) for one in ours if one is not None])
    assert np.sqrt(np.mean((places - theirs) ** 2)) <= 0.15
    assert _roughness_px(places) <= 0.13
    assert _roughness_px(places) < _roughness_px(theirs)


def _roughness_px(corners: Array) -> float:
    """Scatter of 13 × 9 corners about a grid of fourth order."""
    i, j = np.meshgrid(np.arange(13) / 6 - 1, np.arange(9) / 6 - 1)
    terms = np.stack([i.ravel() ** a * j.ravel() ** b for a in range(5) for b in range(5 - a)], axis=1)
    rest = corners - terms @ np.linalg.lstsq(terms, corners, rcond=None)[0]
    return float(np.sqrt(np.sum(rest**2) / (2 * (len(corners) - terms.shape[1]))))


def _at(place: Array, scale: float) -> Array:
    return np.array([[scale, 0.0, place[0]], [0.0, scale, place[1]], [0.0, 0.0, 1.0]])


def _turn(angle: float) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
