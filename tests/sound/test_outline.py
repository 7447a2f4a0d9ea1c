"""Edges found to a fraction of a pixel: known edges drawn by area, and curves through places."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fringewise.core.errors import MarksAtFault, NotMeasurable
from fringewise.sound.corner import corner_of
from fringewise.sound.edge import restore_edge
from fringewise.sound.line_spline import smooth_line
from fringewise.sound.metal import rim_between
from fringewise.sound.outline import trace_outline
from fringewise.sound.pixel_edge import share_inside
from fringewise.surface.surface import Surface

WIDTH, HEIGHT = 160, 140
RAYS = 15


def look_with_edge(level_behind: float, *, in_photo: bool = True) -> Surface:
    """Metal of level 120 right of a slanting wavy edge, drawn by area; noise of 2 grey levels."""
    rng = np.random.default_rng(7)
    fine = (np.arange(RAYS) + 0.5) / RAYS - 0.5
    v = (np.arange(HEIGHT)[:, None] + fine).ravel()
    u = (np.arange(WIDTH)[:, None] + fine).ravel()
    inside = (u[None] > edge_at(v)[:, None]).reshape(HEIGHT, RAYS, WIDTH, RAYS).mean(axis=(1, 3))
    level = level_behind + (120 - level_behind) * inside
    noisy = np.clip(np.rint(level + rng.normal(0, 2, level.shape)), 0, 255)
    columns, rows = np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT))
    xyz = np.stack([(columns - 80) / 700, (rows - 70) / 700, np.ones(level.shape)], axis=-1) * 15.0
    flags = np.where(inside > 0.99, 0, 256).astype(np.uint16)
    sigma = np.full(level.shape, 0.01, dtype=np.float32)
    photo = noisy.astype(np.uint8) if in_photo else None
    modulation = None if in_photo else noisy.astype(np.float32)
    return Surface(xyz.astype(np.float32), sigma, flags, photo=photo, modulation=modulation)


def edge_at(v: np.ndarray) -> np.ndarray:
    return np.asarray(70 + 0.13 * (v - 70) + 6 * np.exp(-(((v - 70) / 9) ** 2)))


MARKS = np.array([[edge_at(np.array([v]))[0], v] for v in (38.0, 102.0)])


@pytest.mark.parametrize(("behind", "in_photo"), [(2.0, True), (60.0, True), (200.0, True), (2.0, False)])
def test_an_outline_is_found_to_a_twentieth_of_a_pixel(behind: float, in_photo: bool) -> None:
    surface = look_with_edge(behind, in_photo=in_photo)
    outline = trace_outline(surface, rim_between(surface, MARKS, 25.0))
    u, v = outline.line_px[outline.damage].T
    slope = np.gradient(edge_at(v), v)
    off = (u - edge_at(v)) / np.sqrt(1 + slope**2)
    assert outline.seen_in == (("photo",) if in_photo else ("fringes",))
    assert abs(off.mean()) < 0.02
    assert np.sqrt(np.mean(off**2)) < 0.05


def test_marks_off_any_edge_are_refused() -> None:
    surface = look_with_edge(2.0)
    with pytest.raises(MarksAtFault, match="off any edge"):
        rim_between(surface, MARKS + np.array([22.0, 0.0]), 25.0)


def test_an_edge_like_its_background_is_refused() -> None:
    surface = look_with_edge(119.0)
    with pytest.raises(NotMeasurable, match="told from what is behind"):
        trace_outline(surface, rim_between(surface, MARKS, 25.0))


@given(st.floats(-3, 3), st.floats(0, 6.3), st.floats(0, 1.0))
def test_shares_of_both_sides_add_up_to_one(depth: float, angle: float, blur: float) -> None:
    normal = np.array([[np.cos(angle), np.sin(angle)]])
    inside, slope = share_inside(np.array([depth]), normal, blur)
    outside, _ = share_inside(np.array([-depth]), -normal, blur)
    assert inside[0] + outside[0] == pytest.approx(1.0, abs=1e-9)
    assert slope[0] >= -1e-9


def test_stated_scatter_of_a_smooth_line_agrees_with_repeats() -> None:
    rng = np.random.default_rng(3)
    at = np.arange(120.0)
    true = 8 * np.exp(-(((at - 60) / 12) ** 2))
    z = []
    for _ in range(60):
        line = smooth_line(at, true + rng.normal(0, 0.1, 120), np.full(120, 0.1), 2.0)
        rows = line.basis(at[40:80])
        sigma = np.sqrt(np.einsum("nk,kl,nl->n", rows, line.covariance, rows))
        z.append((line.values(at[40:80]) - true[40:80]) / sigma)
    assert 0.7 < np.sqrt(np.mean(np.square(z))) < 1.2


def test_a_sound_edge_is_carried_across_a_gap_beside_a_second_damage() -> None:
    rng = np.random.default_rng(4)
    t = np.concatenate([np.linspace(-1, -0.35, 90), np.linspace(0.35, 1, 90)])
    n = 0.02 * t**2 + rng.normal(0, 1e-4, 180)
    n[:20] += 0.01  # a second damage at one end
    curve = restore_edge(
        np.column_stack([t, n]), np.array([[-0.3, 0.0], [0.3, 0.0]]), np.full(180, 1e-4), gap=0.6
    )
    middle = curve.directions(np.array([0.0]))[0]
    assert abs(middle[1]) < 2e-4
    assert not curve.kept[:18].any()


def test_two_edges_meet_at_their_corner() -> None:
    s = np.linspace(0.1, 0.6, 60)
    sigma = np.full(60, 1e-5)
    first = np.column_stack([0.03 * s**2, s])
    second = np.column_stack([s, -0.05 * s**2])
    one = restore_edge(first, first[[0, -1]], sigma, gap=0.1, highest_degree=3)
    other = restore_edge(second, second[[0, -1]], sigma, gap=0.1, highest_degree=3)
    np.testing.assert_allclose(corner_of(one, other)[0], [0.0, 0.0], atol=2e-5)


def test_edges_that_run_alike_have_no_corner() -> None:
    s = np.linspace(0.1, 0.6, 60)
    line = np.column_stack([s, 0 * s])
    one = restore_edge(line, line[[0, -1]], np.full(60, 1e-5), gap=0.1)
    with pytest.raises(NotMeasurable, match="nearly alike"):
        corner_of(one, one)
