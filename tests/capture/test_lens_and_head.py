"""Lens model, fringe sets and heads: against an independent library, and each rule with a failing case."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fringewise.capture import Camera, FringeSet, Head, Lens, NoiseModel, Projector
from fringewise.capture.head import CalibrationCovariance, moved_by, rotation_from_vector
from fringewise.capture.lens import distort, distort_jacobian

TERMS = (-0.11, 0.035, 0.0006, -0.0004, 0.002, 0.01, -0.003, 0.0005)
LENS = Lens(700.0, 690.0, 471.3, 365.8, TERMS)


def head() -> Head:
    projector = Projector(Lens(0.72, 1.0, 0.5, 0.0), 1.0, None, np.eye(3), np.array([-2.6, 0.0, 0.0]))
    return Head("H", Camera(960, 720, LENS), projector)


@given(st.floats(-0.6, 0.6), st.floats(-0.5, 0.5))
def test_pixels_are_those_of_opencv(x: float, y: float) -> None:
    # cv2.projectPoints, an independent library, with k1 k2 p1 p2 k3 k4 k5 k6 in this order
    matrix = np.array([[700.0, 0, 471.3], [0, 690.0, 365.8], [0, 0, 1]])
    point = np.array([[x * 15, y * 15, 15.0]])
    theirs = cv2.projectPoints(point, np.zeros(3), np.zeros(3), matrix, np.array(TERMS))[0].ravel()
    np.testing.assert_allclose(LENS.pixel(x, y), theirs, atol=1e-9)


@given(st.floats(-0.5, 0.5), st.floats(-0.45, 0.45))
def test_directions_undo_pixels(x: float, y: float) -> None:
    np.testing.assert_allclose(LENS.direction(*LENS.pixel(x, y)), (x, y), atol=1e-11)


def test_jacobian_is_the_derivative_of_the_distortion() -> None:
    x, y, step = np.array([0.3, -0.2]), np.array([0.1, 0.4]), 1e-6
    found = distort_jacobian(x, y, TERMS)
    by_x = (np.array(distort(x + step, y, TERMS)) - np.array(distort(x - step, y, TERMS))) / (2 * step)
    by_y = (np.array(distort(x, y + step, TERMS)) - np.array(distort(x, y - step, TERMS))) / (2 * step)
    np.testing.assert_allclose(found[:, :, 0], by_x.T, atol=1e-8)
    np.testing.assert_allclose(found[:, :, 1], by_y.T, atol=1e-8)


@given(st.lists(st.floats(-3, 3), min_size=3, max_size=3))
def test_rotations_are_those_of_opencv(vector: list[float]) -> None:
    theirs = cv2.Rodrigues(np.array(vector))[0]
    np.testing.assert_allclose(rotation_from_vector(vector), theirs, atol=1e-9)


def test_even_shifts_are_told_from_uneven_ones() -> None:
    assert FringeSet(7, tuple(2 * math.pi * n / 5 for n in range(5))).even
    assert not FringeSet(7, (0.0, 1.0, 2.5)).even


@pytest.mark.parametrize(
    ("fringes", "shifts", "words"),
    [
        (0.0, (0.0, 2.0, 4.0), "greater than 0"),
        (math.nan, (0.0, 2.0, 4.0), "greater than 0"),
        (7.0, (0.0, 2.0), "3 or more shifts"),
        (7.0, (0.0, 2.0, 2.0 + 2 * math.pi), "don't tell the phase"),
    ],
)
def test_sets_that_tell_no_phase_are_refused(fringes: float, shifts: tuple[float, ...], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        FringeSet(fringes, shifts)


def test_a_projector_that_is_turned_over_is_refused() -> None:
    with pytest.raises(ValueError, match="rotation matrix"):
        Projector(LENS, 1.0, None, np.diag([1.0, 1.0, -1.0]), np.array([1.0, 0, 0]))


@pytest.mark.parametrize(
    ("names", "matrix", "words"),
    [
        (("camera.fz",), [[1.0]], "unknown parameter"),
        (("camera.fx", "camera.fx"), [[1.0, 0], [0, 1]], "twice"),
        (("camera.fx", "camera.fy"), [[1.0, 0.5], [0.2, 1]], "symmetric"),
        (("camera.fx", "camera.fy"), [[1.0, 2.0], [2.0, 1]], "positive semidefinite"),
        (("camera.fx",), [[math.inf]], "finite"),
        (("camera.fx",), [[1.0, 0.0]], "shape"),
    ],
)
def test_covariances_that_are_none_are_refused(
    names: tuple[str, ...], matrix: list[list[float]], words: str
) -> None:
    with pytest.raises(ValueError, match=words):
        CalibrationCovariance(names, np.array(matrix))


def test_parameters_move_one_at_a_time() -> None:
    moved = moved_by(head(), {"projector.rotation_vector.1": 0.01, "camera.distortion.2": 0.001})
    assert moved.camera.lens.distortion[2] == pytest.approx(TERMS[2] + 0.001)
    turned = moved.projector.rotation @ head().projector.rotation.T
    np.testing.assert_allclose(turned, cv2.Rodrigues(np.array([0, 0.01, 0]))[0], atol=1e-12)
    np.testing.assert_array_equal(moved.projector.translation_mm, head().projector.translation_mm)
    with pytest.raises(ValueError, match="unknown head parameter"):
        moved_by(head(), {"camera.focus": 1.0})


def test_frame_variance_follows_the_light_above_dark() -> None:
    noise = NoiseModel(read_dn=1.2, gain_dn_per_electron=0.02, bits=8, dark_dn=10.0)
    np.testing.assert_allclose(noise.variance_dn2([0.0, 10.0, 110.0]), [1.44, 1.44, 3.44])
    assert noise.saturation_dn == 255


def test_columns_grow_with_the_projectors_x() -> None:
    column, row = head().projector.column_row(np.array([[2.6, 0.0, 15.0], [3.6, 0.0, 15.0]]))
    assert column[0] == pytest.approx(0.5)
    assert column[1] == pytest.approx(0.5 + 0.72 / 15)
    assert np.isnan(row).all()
