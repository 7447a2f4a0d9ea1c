"""The truth of a cast: closed forms of plane and ball, shadow, what lies behind, rays on tangent planes."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from tiny_sheets import Ball, Flat, bent_head, flat_scene, keyhole_head, small_head, turned

import fringewise.virtual.pixel_rays as pixel_rays_module
from fringewise.capture import Head
from fringewise.core.checks import Array
from fringewise.virtual import Scene, cast, pattern_place
from fringewise.virtual.pixel_truth import PixelTruth


def looks(head: Head) -> Array:
    """Directions (H, W, 3) with z = 1 of the pixel centres, by OpenCV."""
    lens, camera = head.camera.lens, head.camera
    u, v = np.meshgrid(np.arange(camera.width, dtype=float), np.arange(camera.height, dtype=float))
    matrix = np.array([[lens.fx, 0, lens.cx], [0, lens.fy, lens.cy], [0, 0, 1]])
    enough = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-14)
    pixels = np.stack([u, v], -1).reshape(-1, 1, 2)
    xy = cv2.undistortPoints(pixels, matrix, np.array(lens.distortion), None, None, criteria=enough)
    return np.concatenate([xy.reshape(*u.shape, 2), np.ones((*u.shape, 1))], axis=-1)


@pytest.mark.parametrize("tilt", [(0.0, 0.0), (20.0, -35.0)])
def test_depth_of_a_plane_is_its_closed_form(tilt: tuple[float, float]) -> None:
    head, scene = small_head(), flat_scene(17.0, *tilt)
    normal = scene.rotation[:, 2]
    expected = (normal @ scene.translation_mm) / (looks(head) @ normal)
    truth = cast(scene, head, rays_per_pixel=1).truth
    met = truth.patch == 0
    assert met.mean() > 0.95
    assert (
        np.abs(truth.xyz_mm[..., 2] - expected)[met].max() < 1e-6
    )  # mm: a hundredth of the 0.1 µm asked for


def test_depth_of_a_ball_is_its_closed_form() -> None:
    head, radius, middle = small_head(), 6.0, np.array([1.0, -0.7, 21.0])
    scene = Scene((Ball(radius),), turned(0, 0), middle)
    along = looks(head)
    a, b, c = np.sum(along**2, -1), along @ middle, middle @ middle - radius**2
    with np.errstate(invalid="ignore"):
        expected = (b - np.sqrt(b**2 - a * c)) / a
    truth = cast(scene, head, rays_per_pixel=1).truth
    met = truth.patch == 0
    assert met.sum() > 1500
    assert np.nanmax(np.abs(truth.xyz_mm[..., 2] - expected)[met]) < 1e-6
    sure = np.isfinite(expected) & (b**2 - a * c > 0.15 * a * radius**2)  # well inside the ball's rim
    assert met[sure].all()
    assert not met[np.isnan(expected)].any()


def test_truth_lies_on_the_pixel_centres_rays_and_on_the_sheet() -> None:
    head, scene = bent_head(), Scene((Ball(7.0),), turned(5, 8), np.array([0.0, 0.0, 16.0]))
    truth = cast(scene, head, rays_per_pixel=1).truth
    met = truth.patch == 0
    xyz = truth.xyz_mm[met]
    assert np.abs(xyz / xyz[:, 2:] - looks(head)[met]).max() < 1e-9
    on_sheet = scene.to_camera(scene.patches[0].point(*truth.st[met].T))
    assert np.abs(on_sheet - xyz).max() < 1e-6
    assert np.isnan(truth.xyz_mm[~met]).all()
    assert np.isnan(truth.st[~met]).all()
    assert not truth.lit[~met].any()


def test_pattern_column_of_the_truth_is_brute_force_projection() -> None:
    head, scene = bent_head(), flat_scene(15.0, 12.0, 9.0)
    xyz = cast(scene, head, rays_per_pixel=1).truth.xyz_mm.reshape(-1, 3)
    xyz = xyz[np.isfinite(xyz[:, 0])]
    there = (head.projector.rotation @ xyz.T).T + head.projector.translation_mm
    x, y = there[:, 0] / there[:, 2], there[:, 1] / there[:, 2]
    k1, k2, p1, p2, k3, *_ = head.projector.lens.distortion
    r2 = x**2 + y**2
    bent = x * (1 + k1 * r2 + k2 * r2**2 + k3 * r2**3) + 2 * p1 * x * y + p2 * (r2 + 2 * x**2)
    column, _ = pattern_place(xyz, head)
    assert np.abs(column - (head.projector.lens.fx * bent + head.projector.lens.cx) / 1000.0).max() < 1e-12


def test_a_hole_shows_what_lies_behind_or_nothing() -> None:
    head = small_head()
    front, behind = Flat(hole_mm=2.0), Flat("casing", height=-8.0)
    alone = cast(Scene((front,), turned(0, 0), np.array([0.0, 0.0, 15.0])), head, 1).truth
    both = cast(Scene((front, behind), turned(0, 0), np.array([0.0, 0.0, 15.0])), head, 1).truth
    at_front = looks(head) * 15.0
    distance = np.hypot(at_front[..., 0], at_front[..., 1])
    assert np.array_equal(alone.patch == -1, distance < 2.0)
    assert np.array_equal(both.patch == 1, distance < 2.0)
    assert np.abs(both.xyz_mm[..., 2][distance < 2.0] - 23.0).max() < 1e-6
    assert both.patch_names == ("flat", "casing")


def test_shadow_falls_where_a_blocker_stands_between_light_and_sheet() -> None:
    head = small_head()
    # a strip 6 mm before the wall, left of what the camera sees through x = 0
    strip = Flat("strip", half=(1.0, 40.0), centre=(-1.5, 0.0), height=6.0)
    scene = Scene((Flat(half=(40.0, 40.0)), strip), turned(0, 0), np.array([0.0, 0.0, 20.0]))
    truth = cast(scene, head, rays_per_pixel=1).truth
    wall = truth.patch == 0
    x, z = truth.xyz_mm[..., 0], truth.xyz_mm[..., 2]
    light_x = 2.6  # the projector's centre is −translation
    crossing = light_x + (x - light_x) * 14.0 / z  # where the way to the light passes the strip's plane
    column = 0.72 * (x - 2.6) / z + 0.5
    in_pattern = (column > 0) & (column < 1)
    expected = in_pattern & (np.abs(crossing + 1.5) > 1.0)
    sure = wall & (np.abs(np.abs(crossing + 1.5) - 1.0) > 1e-3)
    assert (wall & in_pattern & ~expected).sum() > 1000
    assert np.array_equal(truth.lit[sure], expected[sure])


def test_light_passes_through_a_hole_in_the_blocker() -> None:
    head = small_head()
    screen = Flat("screen", half=(3.0, 3.0), height=6.0, hole_mm=1.2)
    scene = Scene((Flat(half=(40.0, 40.0)), screen), turned(0, 0), np.array([0.0, 0.0, 20.0]))
    truth = cast(scene, head, rays_per_pixel=1).truth
    wall = truth.patch == 0
    x, y = 2.6 + (truth.xyz_mm[..., 0] - 2.6) * 0.7, truth.xyz_mm[..., 1] * 0.7
    square = (np.abs(x) < 3) & (np.abs(y) < 3)
    hole = np.hypot(x, y)
    assert (wall & (hole < 1.19)).sum() > 20
    assert truth.lit[wall & (hole < 1.19)].all()
    assert not truth.lit[wall & square & (hole > 1.21)].any()


def test_a_sheet_seen_from_the_side_away_from_the_light_is_dark() -> None:
    # tilted so far that the camera sees one face and the projector, 2.6 mm to the right, the other
    scene = flat_scene(17.0, 0.0, 0.0, Flat(half=(2.0, 2.0)))
    scene = replace(scene, rotation=turned(0.0, -86.0), translation_mm=np.array([1.3, 0.0, 12.0]))
    truth = cast(scene, small_head(480, 360), 1).truth
    assert (truth.patch == 0).sum() > 20
    assert not truth.lit.any()


def test_rays_on_tangent_planes_end_where_followed_rays_end(monkeypatch: pytest.MonkeyPatch) -> None:
    scene = Scene((Ball(5.0),), turned(3, 4), np.array([0.0, 0.0, 21.0]))
    head = keyhole_head()
    quick = cast(scene, head)
    monkeypatch.setattr(pixel_rays_module, "_FLAT_COSINE", 2.0)  # no pixel counts as flat
    followed = cast(scene, head)
    assert np.array_equal(quick.first, followed.first)
    error = np.linalg.norm(quick.xyz_mm - followed.xyz_mm, axis=1)
    assert 0 < error.max() < 1e-4  # mm
    assert np.array_equal(quick.truth.xyz_mm, followed.truth.xyz_mm, equal_nan=True)


def test_each_pixel_lists_its_rays_in_order() -> None:
    head = small_head(60, 45)
    hits = cast(flat_scene(17.0, sheet=Flat(half=(4.0, 3.0))), head)
    count = np.diff(hits.first)
    assert hits.first[-1] == len(hits.xyz_mm)
    assert count.max() == 9
    assert set(np.unique(count)) > {0, 9}  # some pixels are mixed
    u, v = np.repeat(np.arange(60 * 45) % 60, count), np.repeat(np.arange(60 * 45) // 60, count)
    from fringewise.virtual import project

    seen_u, seen_v = project(hits.xyz_mm.astype(float), head)
    assert np.abs(seen_u - u).max() < 0.5
    assert np.abs(seen_v - v).max() < 0.5


def test_truth_survives_its_arrays() -> None:
    scene = replace(flat_scene(17.0), truths={"F1": {"kind": "dent", "quantities": {"depth": 0.2}}})
    truth = cast(scene, small_head(40, 30), 1).truth
    back = PixelTruth.from_arrays(truth.to_arrays())
    for name in ("xyz_mm", "patch", "st", "lit", "rotation", "translation_mm"):
        assert np.array_equal(getattr(back, name), getattr(truth, name), equal_nan=name in ("xyz_mm", "st"))
    assert back.damages == {"F1": {"kind": "dent", "quantities": {"depth": 0.2}}}
    assert back.patch_names == ("flat",)


def test_truth_of_another_format_is_refused() -> None:
    arrays = cast(flat_scene(17.0), small_head(40, 30), 1).truth.to_arrays()
    arrays["words"] = np.array('{"format": "fringewise.truth/9"}')
    with pytest.raises(ValueError, match=r"format must be fringewise\.truth/1"):
        PixelTruth.from_arrays(arrays)
