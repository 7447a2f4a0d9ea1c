"""Motion between frames: the phase moves as first principles say, and as casting the moved part anew does."""

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from tiny_sheets import Ball, Flat, flat_scene, keyhole_head, small_head, turned

from fringewise.core.checks import Array
from fringewise.virtual import (
    Exposure,
    Pose,
    Scene,
    cast,
    drift,
    expose,
    patch_pixels,
    pattern_place,
    standard_plan,
)
from fringewise.virtual.shake import Shaker, middle_of, moved_scene

TURN = 2 * np.pi
EVEN = np.array([0, 0.25, 0.5, 0.75]) * TURN


def rng() -> np.random.Generator:
    return np.random.default_rng(12)


def phase_of(frames: npt.NDArray[Any]) -> Array:
    levels = frames.astype(float)
    return np.asarray(np.arctan2(levels[3] - levels[1], levels[0] - levels[2]))


def moved_phase(scene: Scene, pose: Pose) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Change of the finest set's phase (rad) when the part stands at `pose` in all its frames; lit pixels."""
    head = keyhole_head()
    hits = cast(scene, head, rays_per_pixel=1)
    exposure = Exposure(photo="none", ambient=0.0)
    still = expose(hits, head, standard_plan(), exposure, rng()).sets[2].frames
    moved = expose(hits, head, standard_plan(), replace(exposure, shake=(pose,) * 12), rng()).sets[2].frames
    change = (phase_of(moved) - phase_of(still) + np.pi) % TURN - np.pi
    return change, hits.truth.lit


def test_motion_along_the_axis_moves_the_phase_of_a_plane_as_its_depth_does() -> None:
    change, lit = moved_phase(flat_scene(17.0), Pose([0.0, 0.0, 0.02]))
    # c = 0.72 (x − 2.6 / z) + 0.5 along a ray of fixed x, with 49 fringes
    expected = TURN * 49 * 0.72 * 2.6 * (1 / 17.0 - 1 / 17.02)
    assert expected == pytest.approx(0.0398, abs=1e-4)
    assert change[lit] == pytest.approx(expected, abs=5e-4)


def test_motion_of_a_plane_in_itself_leaves_the_phase() -> None:
    change, lit = moved_phase(flat_scene(17.0), Pose([0.02, -0.01, 0.0]))
    assert np.abs(change[lit]).max() < 5e-4


def test_motion_across_moves_the_phase_of_a_tilted_plane_by_its_slope() -> None:
    scene = flat_scene(17.0, 0.0, 20.0)
    change, lit = moved_phase(scene, Pose([0.02, 0.0, 0.0]))
    normal = scene.rotation[:, 2]
    xyz = cast(scene, keyhole_head(), 1).truth.xyz_mm
    z = xyz[..., 2]
    moved_z = z * (normal @ scene.translation_mm + 0.02 * normal[0]) / (normal @ scene.translation_mm)
    expected = TURN * 49 * 0.72 * 2.6 * (1 / z - 1 / moved_z)
    assert np.abs(change - expected)[lit].max() < 5e-4


def test_turning_the_part_moves_depth_about_its_middle() -> None:
    scene = flat_scene(17.0)
    turn = 0.002
    change, lit = moved_phase(scene, Pose(turn_rad=[0.0, turn, 0.0]))
    truth = cast(scene, keyhole_head(), 1).truth
    x, z = truth.xyz_mm[..., 0] / 17.0, 17.0
    middle = np.median(truth.xyz_mm[lit], axis=0)
    # plane through the middle with normal turned about y: n = (−sin a, 0, −cos a)
    n = np.array([np.sin(turn), np.cos(turn)])
    moved_z = (n[0] * middle[0] + n[1] * middle[2]) / (n[0] * x + n[1])
    expected = TURN * 49 * 0.72 * 2.6 * (1 / z - 1 / moved_z)
    assert np.abs(expected[lit]).max() > 0.004
    assert np.abs(change - expected)[lit].max() < 5e-4


@pytest.mark.parametrize(("steps", "within_um"), [(1, 0.1), (2, 0.002)])
def test_moved_hits_lie_where_casting_the_moved_part_finds_them(steps: int, within_um: float) -> None:
    scene = Scene((Ball(6.0),), turned(5, 10), np.array([0.0, 0.0, 23.0]))
    head = keyhole_head()
    hits = cast(scene, head, rays_per_pixel=1)
    pose = Pose([0.015, -0.01, 0.008], [0.0005, -0.0003, 0.0008])
    xyz, normal, _ = Shaker(hits, steps).moved(pose)
    anew = cast(moved_scene(scene, pose, middle_of(hits)), head, rays_per_pixel=1)
    assert np.array_equal(anew.first, hits.first)
    assert np.abs(xyz - anew.xyz_mm).max() < within_um * 1e-3 + 4e-6  # single precision at 20 mm
    assert np.linalg.norm(xyz - hits.xyz_mm, axis=1).mean() > 0.003
    assert np.abs(normal - anew.normal).max() < 0.01


def test_what_is_drawn_on_the_part_moves_with_it() -> None:
    head, scene = keyhole_head(), flat_scene(17.0, sheet=Flat(dot_mm=0.4))
    hits = cast(scene, head)
    pose = Pose([0.02, 0.03, 0.0])
    still, moved = (
        expose(hits, head, standard_plan(), Exposure(shake=(p,) * 13, ambient=0.0), rng()).photo
        for p in (Pose(), pose)
    )
    assert still is not None
    assert moved is not None

    def centroid(photo: npt.NDArray[Any]) -> Array:
        weight = np.maximum(1 - photo / np.median(photo) - 0.3, 0)
        v, u = np.mgrid[:90, :120]
        return np.asarray([(weight * u).sum(), (weight * v).sum()] / weight.sum())

    marked = [
        patch_pixels(s, head, "flat", np.zeros(1), np.zeros(1))[0]
        for s in (scene, moved_scene(scene, pose, np.zeros(3)))
    ]
    assert centroid(moved) - centroid(still) == pytest.approx(marked[1] - marked[0], abs=0.03)  # px


def test_an_even_drift_reaches_its_offset_at_the_last_frame() -> None:
    head, scene = small_head(120, 90), flat_scene(17.0)
    hits = cast(scene, head, rays_per_pixel=1)
    shake = drift([0.0, 0.0, 0.05], 12)
    exposure = Exposure(photo="none", ambient=0.0, contrast=0.5, light_dn=20000.0)
    still = expose(hits, head, standard_plan(), exposure, rng())
    moving = expose(hits, head, standard_plan(), replace(exposure, shake=shake), rng())
    assert np.array_equal(moving.sets[0].frames[0], still.sets[0].frames[0])
    at_end = cast(flat_scene(17.05), head, rays_per_pixel=1)
    last = expose(at_end, head, standard_plan(), exposure, rng()).sets[2].frames[3]
    both = hits.truth.lit & at_end.truth.lit
    difference = moving.sets[2].frames[3].astype(float) - last
    assert np.abs(difference[both]).max() < 3  # of some 10,000 levels
    column, _ = pattern_place(hits.truth.xyz_mm, head)
    assert np.nanmax(column) > 0.5


def test_a_part_that_slides_out_of_a_ray_goes_dark() -> None:
    head, scene = keyhole_head(), flat_scene(17.0, sheet=Flat(half=(1.0, 1.0)))
    hits = cast(scene, head, rays_per_pixel=1)
    _, _, albedo = Shaker(hits).moved(Pose([0.1, 0.0, 0.0]))
    x = hits.xyz_mm[:, 0]
    assert (albedo[x < -0.9 - 1e-4] == 0).all()
    assert (albedo[x > -0.9 + 1e-4] > 0).all()


def test_a_shake_of_the_wrong_length_is_refused() -> None:
    head = small_head(40, 30)
    hits = cast(flat_scene(17.0), head, rays_per_pixel=1)
    with pytest.raises(ValueError, match="a pose for each of the 12 frames"):
        expose(hits, head, standard_plan(), Exposure(shake=drift([0, 0, 0.01], 4)), rng())
    with pytest.raises(ValueError, match="newton_steps"):
        Shaker(hits, 0)
    with pytest.raises(ValueError, match="offset_mm must be finite"):
        Pose([np.nan, 0, 0])
