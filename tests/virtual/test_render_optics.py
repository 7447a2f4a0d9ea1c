"""The virtual head's own lens: it agrees with an outside library, and its rays are its inverse."""

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tiny_sheets import bent_head, small_head

from fringewise.capture import Head
from fringewise.core.checks import Array
from fringewise.virtual import patch_pixels, pattern_place, project, standard_head
from fringewise.virtual.optics import directions, projector_centre
from fringewise.virtual.pixel_rays import pixel_offsets

HEADS = [standard_head(), bent_head()]


def cloud(seed: int) -> Array:
    rng = np.random.default_rng(seed)
    z = rng.uniform(6.0, 60.0, 500)
    return np.column_stack([rng.uniform(-0.6, 0.6, 500) * z, rng.uniform(-0.5, 0.5, 500) * z, z])


@pytest.mark.parametrize("head", HEADS, ids=["standard", "bent"])
def test_projection_agrees_with_opencv(head: Head) -> None:
    points = cloud(1)
    lens = head.camera.lens
    matrix = np.array([[lens.fx, 0, lens.cx], [0, lens.fy, lens.cy], [0, 0, 1]])
    seen, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), matrix, np.array(lens.distortion))
    u, v = project(points, head)
    assert np.abs(np.column_stack([u, v]) - seen[:, 0]).max() < 1e-9  # px


def test_pattern_place_agrees_with_opencv() -> None:
    head, points = bent_head(), cloud(2)
    projector = head.projector
    lens = projector.lens
    matrix = np.array([[lens.fx, 0, lens.cx], [0, lens.fy, lens.cy], [0, 0, 1]])
    turn, _ = cv2.Rodrigues(projector.rotation)
    seen, _ = cv2.projectPoints(points, turn, projector.translation_mm, matrix, np.array(lens.distortion))
    column, row = pattern_place(points, head)
    assert np.abs(column - seen[:, 0, 0] / 1000.0).max() < 1e-9  # shares of the pattern
    assert np.abs(row - seen[:, 0, 1] / 800.0).max() < 1e-9


@pytest.mark.parametrize("head", HEADS, ids=["standard", "bent"])
def test_directions_invert_projection(head: Head) -> None:
    rng = np.random.default_rng(3)
    u = rng.uniform(-0.5, head.camera.width - 0.5, 2000)
    v = rng.uniform(-0.5, head.camera.height - 0.5, 2000)
    along = directions(u, v, head)
    back_u, back_v = project(along * rng.uniform(5, 50, 2000)[:, None], head)
    assert np.abs(back_u - u).max() < 1e-9
    assert np.abs(back_v - v).max() < 1e-9


def test_points_behind_the_camera_have_no_pixel() -> None:
    u, v = project(np.array([[0.1, 0.2, -3.0], [0.1, 0.2, 0.0]]), standard_head())
    assert np.isnan(u).all()
    assert np.isnan(v).all()


def test_projector_centre_is_where_the_pose_maps_to_zero() -> None:
    projector = bent_head().projector
    centre = projector_centre(bent_head())
    assert np.abs(projector.rotation @ centre + projector.translation_mm).max() < 1e-12


@given(st.integers(0, 40).map(lambda n: 2 * n + 1))
def test_rays_of_a_pixel_are_spread_evenly_about_its_centre(n: int) -> None:
    offsets = pixel_offsets(n)
    steps = np.round(offsets * n).astype(int)
    assert np.abs(offsets * n - steps).max() < 1e-9
    half = (n - 1) // 2
    for axis in (0, 1):  # no two rays share a column or a row: an outline moves in steps of 1/n pixel
        assert sorted(steps[:, axis]) == list(range(-half, half + 1))
    assert {(-x, -y) for x, y in steps.tolist()} == {(x, y) for x, y in steps.tolist()}
    assert steps[half].tolist() == [0, 0]


def test_an_even_number_of_rays_is_refused() -> None:
    with pytest.raises(ValueError, match="rays_per_pixel must be odd"):
        pixel_offsets(4)


def test_patch_pixels_are_the_projected_points_and_a_wrong_name_is_refused() -> None:
    from tiny_sheets import flat_scene

    head = small_head()
    scene = flat_scene(17.0, 10.0, -20.0)
    s, t = np.array([0.0, 1.0]), np.array([0.0, -2.0])
    pixels = patch_pixels(scene, head, "flat", s, t)
    u, v = project(scene.to_camera(np.column_stack([s, t, 0 * s])), head)
    assert np.array_equal(pixels, np.column_stack([u, v]))
    with pytest.raises(ValueError, match="no patch named blade"):
        patch_pixels(scene, head, "blade", s, t)
