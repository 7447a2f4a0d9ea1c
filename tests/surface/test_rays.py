"""Points lie where ray and column meet, and sigma is the exact derivative along the ray."""

from __future__ import annotations

import threading
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from surface_heads import Float32Array, columns_for, rays_of, straight_head, turned_head

from fringewise.capture import Head
from fringewise.core.checks import Array
from fringewise.core.flags import Flag, FlagArray
from fringewise.surface.rays import points_on_rays, ray_table

STRONG = (0.12, 0.15, 2e-3, 3e-3, 0.03, 0.02, 0.01, 0.01)


def no_flags(head: Head) -> FlagArray:
    return np.zeros((head.camera.height, head.camera.width), dtype=np.uint16)


def root_found_depth(head: Head, ray: Array, column: float, near_mm: float, far_mm: float) -> float:
    """The slow way: search the ray for the depth whose projection has the column."""

    def miss(z_mm: float) -> float:
        return float(head.projector.column_row(ray * z_mm)[0]) - column

    return float(brentq(miss, near_mm, far_mm, xtol=1e-12, rtol=1e-14))


@pytest.mark.parametrize("head", [straight_head(), turned_head(), turned_head(*STRONG)])
def test_depth_agrees_with_a_root_finder_to_10_nm(head: Head) -> None:
    rng = np.random.default_rng(20260312)
    shape = (head.camera.height, head.camera.width)
    z = rng.uniform(8, 24, shape)
    column = columns_for(head, z)
    xyz, _, _ = points_on_rays(head, column, np.full_like(column, 1e-5), no_flags(head))
    table = ray_table(head.camera)
    seen = np.argwhere((column > 0) & (column < 1))
    for v, u in seen[rng.integers(0, len(seen), 300)]:
        ray = np.array([float(table.x[v, u]), float(table.y[v, u]), 1.0])
        true_mm = root_found_depth(head, ray, float(column[v, u]), 0.9 * z[v, u], 1.1 * z[v, u])
        assert abs(xyz[v, u, 2] - true_mm) < 1e-5
        np.testing.assert_allclose(xyz[v, u], ray * true_mm, atol=1e-5)


@pytest.mark.parametrize("head", [straight_head(), turned_head(), turned_head(*STRONG)])
def test_sigma_is_the_derivative_of_range_by_column_times_its_sigma(head: Head) -> None:
    rng = np.random.default_rng(5)
    shape = (head.camera.height, head.camera.width)
    column = columns_for(head, rng.uniform(8, 30, shape)).astype(np.float64)
    sigma_c = rng.uniform(1e-5, 3e-4, shape).astype(np.float32)
    _, sigma, _ = points_on_rays(head, column.astype(np.float32), sigma_c, no_flags(head))
    rays = rays_of(head)
    step = 2.0**-13  # keeps columns exact in single precision, and is small: the error falls as its square
    moved = []
    for sign in (-2, -1, 1, 2):
        shifted = (column.astype(np.float32) + np.float32(sign * step)).astype(np.float32)
        xyz, _, _ = points_on_rays(head, shifted, sigma_c, no_flags(head))
        moved.append(xyz[..., 2].astype(np.float64) * np.linalg.norm(rays, axis=-1))
    slope = (moved[0] - 8 * moved[1] + 8 * moved[2] - moved[3]) / (12 * step)
    near = (column > 0.01) & (column < 0.99)
    ratio = sigma[near] / (np.abs(slope[near]) * sigma_c[near])
    assert np.percentile(np.abs(ratio - 1), 99) < 1e-3


def test_curved_and_straight_projectors_meet_where_distortion_vanishes() -> None:
    head = turned_head()
    nearly = turned_head(1e-9)
    z = np.full((head.camera.height, head.camera.width), 17.0)
    column = columns_for(head, z)
    sigma_c = np.full_like(column, 1e-5)
    one, other = (points_on_rays(each, column, sigma_c, no_flags(head)) for each in (head, nearly))
    np.testing.assert_allclose(one[0], other[0], atol=2e-5)
    np.testing.assert_allclose(one[1], other[1], rtol=1e-5)


@settings(max_examples=30, deadline=None)
@given(
    depth_mm=st.floats(7, 59),
    tilt_x=st.floats(-0.02, 0.02),
    tilt_y=st.floats(-0.02, 0.02),
    curved=st.booleans(),
)
def test_a_plane_comes_back_as_it_was(depth_mm: float, tilt_x: float, tilt_y: float, curved: bool) -> None:
    head = turned_head(*STRONG) if curved else straight_head()
    rays = rays_of(head)
    z = 1 / (1 / depth_mm + (tilt_x * rays[..., 0] + tilt_y * rays[..., 1]) / depth_mm)
    xyz, _, flags = points_on_rays(
        head, columns_for(head, z), np.full(z.shape, 1e-5, np.float32), no_flags(head)
    )
    rounding_mm = 2e-7 * z**2 / 2.6 + 2e-6 * z  # of a column in single precision
    assert np.all(np.abs(xyz[..., 2] - z) < rounding_mm)
    assert not flags.any()


def test_points_lie_on_their_pixels_rays() -> None:
    head = straight_head()
    rng = np.random.default_rng(3)
    z = rng.uniform(7, 50, (head.camera.height, head.camera.width))
    xyz, _, _ = points_on_rays(head, columns_for(head, z), np.full(z.shape, 1e-5, np.float32), no_flags(head))
    u, v = head.camera.lens.pixel(xyz[..., 0] / xyz[..., 2], xyz[..., 1] / xyz[..., 2])
    there_v, there_u = np.mgrid[: head.camera.height, : head.camera.width]
    assert np.hypot(u - there_u, v - there_v).max() < 2e-4


def test_points_behind_or_out_of_range_are_flagged() -> None:
    head = straight_head()
    z = np.full((head.camera.height, head.camera.width), 20.0)
    z[0, 0], z[0, 1], z[0, 2] = 5.9, 60.1, 6.1
    column = columns_for(head, z)
    column[1, 0] = 0.5 + 0.72 * (rays_of(head)[1, 0, 0] + 0.05)  # meets its ray behind the head
    column[1, 1] = np.nan
    sigma_c = np.full_like(column, 1e-5)
    given = no_flags(head)
    given[2, 2] = Flag.SATURATED
    xyz, sigma, flags = points_on_rays(head, column, sigma_c, given)
    assert flags[0, :3].tolist() == [Flag.OUTSIDE_RANGE, Flag.OUTSIDE_RANGE, 0]
    assert flags[1, :2].tolist() == [Flag.OUTSIDE_RANGE, Flag.NO_SURFACE]
    assert flags[2, 2] == Flag.SATURATED
    assert np.isnan(xyz[1, :2]).all()
    assert np.isnan(sigma[1, :2]).all()
    assert np.isfinite(xyz[0, :3]).all()
    endless = replace(head, working_range_mm=None)
    _, _, flags = points_on_rays(endless, column, sigma_c, given)
    assert flags[0, :3].tolist() == [0, 0, 0]
    assert flags[1, 0] == Flag.OUTSIDE_RANGE


def test_curved_columns_flag_alike() -> None:
    head = replace(turned_head(*STRONG), working_range_mm=(6.0, 60.0))
    z = np.full((head.camera.height, head.camera.width), 20.0)
    z[90, 120], z[90, 121] = 5.9, 60.1
    column = columns_for(head, z)
    column[91, 120] = np.nan
    xyz, sigma, flags = points_on_rays(head, column, np.full_like(column, 1e-5), no_flags(head))
    assert flags[90, 120:123].tolist() == [Flag.OUTSIDE_RANGE, Flag.OUTSIDE_RANGE, 0]
    assert flags[91, 120] == Flag.NO_SURFACE
    assert np.isnan(xyz[91, 120]).all()
    assert np.isnan(sigma[91, 120])


def test_columns_that_lead_nowhere_leave_their_neighbours_alone() -> None:
    # Newton's steps are taken by a stretch of pixels at once, until the last of them has settled.
    head = turned_head(-0.3, 0.0)  # folds: no direction of the projector has a distorted x above 0.71
    column = columns_for(head, np.full((head.camera.height, head.camera.width), 17.0))
    sigma_c = np.full_like(column, 1e-5)
    alone = points_on_rays(head, column, sigma_c, no_flags(head))
    spoilt = column.copy()
    spoilt[:, ::2] = np.random.default_rng(20261125).uniform(1.5, 9.0, spoilt[:, ::2].shape)
    found = points_on_rays(head, spoilt, sigma_c, no_flags(head))
    assert np.isfinite(alone[0]).mean() > 0.9  # one corner of the picture lies beyond the fold
    np.testing.assert_allclose(found[0][:, 1::2], alone[0][:, 1::2], atol=1e-5, rtol=0)
    certain = alone[1][:, 1::2] < 0.1  # hard by the fold, σ is without bounds
    assert certain.mean() > 0.8
    np.testing.assert_allclose(found[1][:, 1::2][certain], alone[1][:, 1::2][certain], rtol=1e-3)
    np.testing.assert_array_equal(found[2][:, 1::2], alone[2][:, 1::2])
    nowhere = found[2][:, ::2] & (Flag.NO_SURFACE | Flag.OUTSIDE_RANGE)
    assert nowhere.all()


def test_a_pixel_without_a_direction_has_no_point() -> None:
    head = straight_head()
    lens = replace(
        head.camera.lens, distortion=(-2.0, 0, 0, 0, 0, 0, 0, 0)
    )  # folds before the picture's corners
    folded = replace(head, camera=replace(head.camera, lens=lens))
    column = np.full((head.camera.height, head.camera.width), 0.4, dtype=np.float32)
    xyz, _, flags = points_on_rays(folded, column, np.full_like(column, 1e-5), no_flags(head))
    assert flags[0, 0] & Flag.NO_SURFACE
    assert np.isnan(xyz[0, 0]).all()
    assert not flags[90, 120]


def test_ray_tables_are_kept_by_what_the_camera_is() -> None:
    one, other = straight_head().camera, straight_head().camera
    assert one is not other
    assert ray_table(one) is ray_table(other)
    assert not ray_table(one).x.flags.writeable


def test_two_threads_at_once_give_the_same_points() -> None:
    head = straight_head()
    z = np.full((head.camera.height, head.camera.width), 17.0)
    column = columns_for(head, z)
    sigma_c = np.full_like(column, 1e-5)
    found: list[Float32Array] = []

    def work() -> None:
        found.extend(points_on_rays(head, column, sigma_c, no_flags(head))[0] for _ in range(20))

    threads = [threading.Thread(target=work) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(found) == 40
    assert all(np.array_equal(found[0], each) for each in found)
