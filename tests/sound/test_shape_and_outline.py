"""Geometry on smooth surfaces and inside outlines, against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.sound.polygon import crosses_itself, inside_nodes, signed_area, window_round
from fringewise.sound.shape import area_element, feet, normals_on, points_on

RADIUS_MM, STANDOFF_MM = 20.0, 15.0
CENTRE = np.array([0.0, 0.0, STANDOFF_MM + RADIUS_MM])


class Ball:
    """The near side of a ball as inverse depth, in closed form."""

    def inverse_depth(self, x: Array, y: Array) -> Array:
        square, across = x * x + y * y + 1, CENTRE[2]
        near = (across - np.sqrt(across**2 - square * (across**2 - RADIUS_MM**2))) / square
        return np.asarray(1 / near)

    def slopes(self, x: Array, y: Array) -> tuple[Array, Array]:
        step = 1e-6
        in_x = (self.inverse_depth(x + step, y) - self.inverse_depth(x - step, y)) / (2 * step)
        in_y = (self.inverse_depth(x, y + step) - self.inverse_depth(x, y - step)) / (2 * step)
        return in_x, in_y


BALL = Ball()
SOME_X, SOME_Y = np.array([0.0, 0.1, -0.2]), np.array([0.05, -0.1, 0.1])


def test_normals_of_a_ball_point_away_from_its_centre() -> None:
    points = points_on(BALL, SOME_X, SOME_Y)
    np.testing.assert_allclose(normals_on(BALL, SOME_X, SOME_Y), (points - CENTRE) / RADIUS_MM, atol=1e-7)


@given(st.floats(-0.8, 0.8), st.floats(-0.3, 0.3), st.floats(-0.3, 0.3))
def test_heights_over_a_ball_are_radial(height_mm: float, x: float, y: float) -> None:
    foot = points_on(BALL, np.array([x]), np.array([y]))
    point = foot + height_mm * (foot - CENTRE) / RADIUS_MM
    foot_x, foot_y, height = feet(BALL, point)
    assert height[0] == pytest.approx(height_mm, abs=1e-6)
    np.testing.assert_allclose(points_on(BALL, foot_x, foot_y), foot, atol=2e-5)


def test_area_of_a_cap_is_two_pi_r_h() -> None:
    half = 0.08  # of the ray cone; the cap that it cuts out of the ball has the height h
    turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    rim = half * np.column_stack([np.cos(turn), np.sin(turn)])
    x, y, weights = inside_nodes(rim, 0.02)
    edge = points_on(BALL, np.array([half]), np.array([0.0]))[0]
    height = edge[2] - STANDOFF_MM
    area = float(np.sum(weights * area_element(BALL, x, y)))
    assert area == pytest.approx(2 * np.pi * RADIUS_MM * height, rel=1e-4)


@given(st.integers(3, 9), st.integers(0, 4), st.integers(0, 2**31))
def test_inside_integrals_of_polynomials_are_exact(corners: int, degree: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    turn = np.sort(rng.uniform(0, 2 * np.pi, corners))
    outline = rng.uniform(0.4, 1.0, (corners, 1)) * np.column_stack([np.cos(turn), np.sin(turn)])
    x, y, weights = inside_nodes(outline, 0.5)
    a = degree // 2
    b = degree - a
    # Green: ∬ x^a y^b = ∮ x^(a+1) y^b / (a+1) dy, exact on straight sides by Gauss
    nodes, w = np.polynomial.legendre.leggauss(6)
    first, after = outline, np.roll(outline, -1, axis=0)
    t = (nodes + 1) / 2
    px = first[:, :1] + t * (after - first)[:, :1]
    py = first[:, 1:] + t * (after - first)[:, 1:]
    green = float(np.sum(px ** (a + 1) * py**b / (a + 1) * (after - first)[:, 1:] * w / 2))
    turned = np.sign(signed_area(outline))
    if not crosses_itself(outline):
        assert float(np.sum(weights * x**a * y**b)) == pytest.approx(turned * green, abs=1e-10)


def test_window_knows_inside_and_distance() -> None:
    outline = np.array([[20.0, 20.0], [40.0, 20.0], [40.0, 30.0], [20.0, 30.0]])
    window = window_round(outline, 8.0, (100, 100))
    assert (window.first_u, window.first_v) == (12, 12)
    assert window.inside[25 - 12, 30 - 12]
    assert not window.inside[15 - 12, 30 - 12]
    assert window.distance_px[15 - 12, 30 - 12] == pytest.approx(5.0, abs=0.6)


def test_an_outline_off_the_photo_is_refused() -> None:
    outline = np.array([[200.0, 20.0], [210.0, 20.0], [205.0, 30.0]])
    with pytest.raises(NotMeasurable, match="outside the photo"):
        window_round(outline, 5.0, (100, 100))
