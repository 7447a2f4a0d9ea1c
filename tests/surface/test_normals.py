"""Normals: right on planes and spheres, towards the head, as sure as theory says, clean at steps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from surface_heads import Float32Array, rays_of, straight_head, turned_head

from fringewise.core.checks import Array
from fringewise.core.flags import Flag
from fringewise.surface import Surface, normals

SEED = 20260315


def surface_at(z: Array, sigma_mm: float = 0.01, noise_seed: int | None = None) -> Surface:
    """A surface seen by the straight head at depths (H, W), with noise along the rays."""
    rays = rays_of(straight_head())
    ranges = z * np.linalg.norm(rays, axis=-1)
    if noise_seed is not None:
        ranges = ranges + np.random.default_rng(noise_seed).normal(0, sigma_mm, z.shape)
    xyz = rays * (ranges / np.linalg.norm(rays, axis=-1))[..., None]
    flags = np.where(np.isfinite(z), 0, int(Flag.NO_SURFACE)).astype(np.uint16)
    sigma = np.where(np.isfinite(z), sigma_mm, np.nan).astype(np.float32)
    return Surface(xyz.astype(np.float32), sigma, flags, head=straight_head())


def plane_depth(normal: Array, distance_mm: float) -> Array:
    """Depths at which the rays meet the plane normal · X = −distance."""
    return np.asarray(-distance_mm / (rays_of(straight_head()) @ normal))


def angles_deg(found: Float32Array, true: Array) -> Array:
    return np.asarray(np.degrees(np.arccos(np.clip((found * true).sum(axis=-1), -1, 1))))


@settings(max_examples=15, deadline=None)
@given(tilt_x=st.floats(-0.9, 0.9), tilt_y=st.floats(-0.9, 0.9), window=st.sampled_from([3, 5, 7, 11]))
def test_planes_have_one_normal_towards_the_head(tilt_x: float, tilt_y: float, window: int) -> None:
    normal = np.array([tilt_x, tilt_y, -1.0]) / np.sqrt(1 + tilt_x**2 + tilt_y**2)
    z = plane_depth(normal, 15.0)
    z[(z <= 0) | (z > 60)] = np.nan
    found = normals(surface_at(z), window)
    there = np.isfinite(found[..., 0])
    assert there.mean() > 0.98 * np.isfinite(z).mean()
    assert np.percentile(angles_deg(found[there], normal), 99) < 0.02
    np.testing.assert_allclose(np.linalg.norm(found[there], axis=1), 1, atol=1e-6)


def sphere_depth(centre: Array, radius_mm: float) -> Array:
    rays = rays_of(straight_head())
    along = rays @ centre
    square = (rays**2).sum(axis=-1)
    left = along**2 - square * (centre @ centre - radius_mm**2)
    return np.asarray(np.where(left > 0, (along - np.sqrt(np.maximum(left, 0))) / square, np.nan))


def test_normals_of_a_sphere_point_from_its_centre() -> None:
    centre = np.array([0.5, -0.5, 32.0])
    surface = surface_at(sphere_depth(centre, 15.0))
    found = normals(surface, 5)
    true = (surface.xyz_mm - centre) / 15.0
    facing = true[..., 2] < -0.8  # at the rim the window spans too much of the curve
    assert np.percentile(angles_deg(found, true)[facing], 99) < 0.3


def test_scatter_of_normals_agrees_with_least_squares() -> None:
    surface = surface_at(plane_depth(np.array([0.0, 0.0, -1.0]), 17.0), sigma_mm=0.02, noise_seed=SEED)
    found = normals(surface, 7)[4:-4, 4:-4]
    # A plane fit over 7 × 7 points a pixel's width w apart with noise σ: u(slope) = σ / (w √(49 · 4)), as the
    # mean square offset in a row of 7 is 4 (closed form). Near the axis range and depth are the same.
    middle = found[60:110, 90:140]
    width_mm = 17.0 / straight_head().camera.lens.fx
    expected = 0.02 / (width_mm * np.sqrt(49 * 4))
    for axis in (0, 1):
        assert np.std(middle[..., axis]) == pytest.approx(expected, rel=0.1)


def test_normals_at_a_step_belong_to_their_own_face() -> None:
    left, right = np.array([0.3, 0.0, -1.0]) / np.hypot(0.3, 1), np.array([-0.2, 0.1, -1.0]) / np.sqrt(1.05)
    z = plane_depth(left, 15.0)
    z[:, 120:] = plane_depth(right, 19.0)[:, 120:]
    found = normals(surface_at(z, sigma_mm=0.002), 7)
    assert np.isfinite(found).all()
    assert angles_deg(found[:, :120], left).max() < 0.5
    assert angles_deg(found[:, 120:], right).max() < 0.5


def test_pixels_without_neighbours_have_no_normal() -> None:
    z = np.full((180, 240), np.nan)
    z[50, 50:90] = 17.0  # a single row tells no plane
    z[100:103, 100:103] = 17.0
    z[150, 150] = 17.0
    found = normals(surface_at(z))
    assert np.isnan(found[50]).all()
    assert np.isnan(found[150, 150]).all()
    assert np.isfinite(found[101, 101]).all()
    assert np.isnan(found[~np.isfinite(z)]).all()


def test_unusable_points_take_no_part() -> None:
    z = plane_depth(np.array([0.0, 0.0, -1.0]), 17.0)
    surface = surface_at(z)
    xyz, flags = surface.xyz_mm.copy(), surface.flags.copy()
    xyz[::3, ::3] *= 1.02  # 0.34 mm off, and flagged
    flags[::3, ::3] = Flag.MIXED
    found = normals(replace(surface, xyz_mm=xyz, flags=flags))
    assert angles_deg(found[flags == 0], np.array([0.0, 0.0, -1.0])).max() < 0.02
    assert np.isnan(found[flags > 0]).all()


def test_surfaces_without_a_head_have_normals_too() -> None:
    surface = surface_at(plane_depth(np.array([0.0, 0.0, -1.0]), 17.0))
    np.testing.assert_array_equal(normals(replace(surface, head=None)), normals(surface))


def test_odd_windows_only() -> None:
    surface = surface_at(plane_depth(np.array([0.0, 0.0, -1.0]), 17.0))
    for wrong in (0, 1, 4):
        with pytest.raises(ValueError, match="odd"):
            normals(surface, wrong)


def test_heads_of_any_projector_share_the_camera_frame() -> None:
    surface = surface_at(plane_depth(np.array([0.0, 0.0, -1.0]), 17.0))
    other = replace(surface, head=turned_head(0.1))
    np.testing.assert_array_equal(normals(other), normals(surface))
