"""The grid of a target on a photo: every point, in order, to a few hundredths of a pixel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from target_trials import Standing, coarser

from fringewise.calibrate.grid import find_grid
from fringewise.calibrate.lattice import find_lattice
from fringewise.calibrate.seeing import view_target, with_own_centres
from fringewise.calibrate.start import TargetPose
from fringewise.calibrate.target import Target
from fringewise.capture.capture import Capture, FrameArray
from fringewise.capture.head import rotation_from_vector
from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.virtual import Exposure, pattern_place, project, render, standard_head, standard_plan
from fringewise.virtual.boards import Waves, board_scene

SEED = 20261125
HEAD = coarser(standard_head(), 2)
FLAT = Waves(np.zeros(1), np.zeros((1, 2)), np.zeros(1))
POSE = Standing(np.asarray(rotation_from_vector([0.35, 0.2, 0.25])), np.array([1.0, 0.3, 20.0]))
BOARD = Target("T", "checkerboard", 10, 7, 1.5)
DOTS = Target("T", "dots", 7, 5, 1.5, dark_on_light=True)


def look(target: Target, pose: Standing = POSE, *, photo_only: bool = False) -> Capture:
    grid = target.points_mm()[:, :2].reshape(target.rows, target.columns, 2)
    scene = board_scene(
        target.kind, grid, target.pitch_mm, FLAT, pose.rotation, pose.translation_mm,
        dark_on_light=target.dark_on_light,
    )  # fmt: skip
    rng, plan = np.random.default_rng(SEED), standard_plan(3, (1.0,)) if photo_only else standard_plan()
    return render(scene, HEAD, plan, Exposure(), rng, rays_per_pixel=5).capture


def where(target: Target, pose: Standing = POSE) -> Array:
    """Where the target's points are truly seen, px."""
    return np.column_stack(project(target.points_mm() @ pose.rotation.T + pose.translation_mm, HEAD))


def test_corners_are_found_to_0_05_px_and_their_columns_with_them() -> None:
    view = view_target(look(BOARD), BOARD, "look")
    off = view.pixels - where(BOARD)[view.points]
    assert len(view.points) == BOARD.count
    assert np.sqrt(np.mean(off**2)) <= 0.05
    column, _ = pattern_place(BOARD.points_mm() @ POSE.rotation.T + POSE.translation_mm, HEAD)
    left = view.column.values - column[view.points] - np.einsum("nm,nm->n", view.column.slope, off)
    assert np.sqrt(np.mean((left / view.column.sigma) ** 2)) == pytest.approx(1.0, abs=0.35)


@pytest.mark.parametrize("dark", [True, False])
def test_dots_own_centres_are_found_to_0_05_px(dark: bool) -> None:
    target = replace(DOTS, dark_on_light=dark)
    view = view_target(look(target), target, "look")
    own = with_own_centres(view, HEAD, TargetPose(POSE.rotation, POSE.translation_mm))
    assert len(view.points) == target.count
    off = own.pixels - where(target)[own.points]
    assert np.sqrt(np.mean(off**2)) <= 0.05


@pytest.mark.parametrize("turn_deg", [70, 250])
def test_a_board_that_shows_its_ends_is_numbered_alike_any_way_round(turn_deg: float) -> None:
    turn = np.asarray(POSE.rotation @ rotation_from_vector([0.0, 0.0, np.radians(turn_deg)]))
    pose = Standing(turn, POSE.translation_mm)
    grid = find_grid(_photo(look(BOARD, pose, photo_only=True)), BOARD)
    assert grid.sure_of_ends
    assert np.abs(grid.pixels - where(BOARD, pose)[grid.points]).max() <= 0.3


def test_a_symmetric_board_says_that_its_ends_look_alike() -> None:
    board = Target("T", "checkerboard", 9, 7, 1.5)
    grid = find_grid(_photo(look(board, photo_only=True)), board)
    assert not grid.sure_of_ends
    assert len(grid.points) == 63


def test_a_photo_without_the_target_is_refused_with_what_to_do() -> None:
    photo = np.random.default_rng(SEED).integers(90, 110, (240, 320)).astype(np.uint8)
    with pytest.raises(
        NotMeasurable, match=r"no grid of 10 × 7 inner corners.*keep the whole target in view"
    ):
        find_grid(photo, BOARD, "look 3")


def test_a_lattice_is_found_among_stray_points_and_with_gaps() -> None:
    rng = np.random.default_rng(SEED)
    row, column = np.divmod(np.arange(63), 9)
    grid = np.column_stack([30 * column + 4 * row, 28 * row - 5 * column]) + rng.normal(0, 0.5, (63, 2)) + 100
    kept = np.delete(grid, [10, 31, 50], axis=0)
    stray = rng.uniform(0, 500, (12, 2))
    stray = stray[np.min(np.linalg.norm(stray[:, None] - grid, axis=2), axis=1) > 12]
    found = find_lattice(rng.permutation(np.vstack([kept, stray])), 9, 7)
    assert found is not None
    off = found.places.reshape(-1, 2) - grid
    assert np.isnan(off[:, 0]).sum() == 3
    assert np.nanmax(np.abs(off)) == 0


def _photo(capture: Capture) -> FrameArray:
    assert capture.photo is not None
    return capture.photo
