"""Cleaning takes what two surfaces mixed, and leaves faces, however steep, spotted or noisy."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pytest
from surface_heads import rays_of, straight_head

from fringewise.core.checks import Array
from fringewise.core.flags import Flag
from fringewise.surface import CleaningRule, Surface, clean

SEED = 20260314


@dataclass(frozen=True)
class Shown:
    """What a made-up look holds: depth, fringe amplitude, sigma and flags before cleaning (H, W)."""

    z: Array
    modulation: Array
    sigma: Array
    flags: npt.NDArray[np.int64]


def surface_of(shown: Shown, *, noise: bool = True, scale: float = 1.0) -> Surface:
    head = replace(straight_head(), working_range_mm=None)
    rays = rays_of(head)
    length = np.linalg.norm(rays, axis=-1)
    z = shown.z
    if noise:
        z = z + np.random.default_rng(SEED).normal(size=z.shape) * shown.sigma / length
    xyz = (rays * z[..., None] * scale).astype(np.float32)
    xyz[(shown.flags & int(Flag.NO_SURFACE | Flag.DARK)) > 0] = np.nan
    return Surface(
        xyz,
        (shown.sigma * scale).astype(np.float32),
        shown.flags.astype(np.uint16),
        modulation=shown.modulation.astype(np.float32),
        head=head,
    )


def wall(z_mm: float = 17.0, sigma_mm: float = 0.012) -> Shown:
    shape = (180, 240)
    return Shown(
        np.full(shape, z_mm), np.full(shape, 50.0), np.full(shape, sigma_mm), np.zeros(shape, dtype=np.int64)
    )


def blade_before_casing(share: float, jump_mm: float = 3.0) -> tuple[Surface, npt.NDArray[np.bool_]]:
    """A blade's edge before a casing as bright as itself, with one column of pixels mixed between the two.

    `share` says where between the two the mixed pixels' points fly.
    """
    shown = wall()
    z, modulation = shown.z.copy(), shown.modulation.copy()
    z[:, 120:] += jump_mm
    z[:, 120] = 17.0 + share * jump_mm
    modulation[:, 120] *= 0.55
    mixed = np.full(z.shape, fill_value=False)
    mixed[:, 120] = True
    return surface_of(replace(shown, z=z, modulation=modulation)), mixed


@pytest.mark.parametrize("share", [0.03, 0.2, 0.5, 0.8, 0.97])
@pytest.mark.parametrize("jump_mm", [2.0, 3.0, 9.0])
def test_pixels_between_blade_and_casing_are_mixed(share: float, jump_mm: float) -> None:
    surface, mixed = blade_before_casing(share, jump_mm)
    cleaned = clean(surface)
    assert not cleaned.usable[mixed].any()
    assert cleaned.usable[~mixed].mean() > 0.998


@pytest.mark.parametrize("share", [0.04, 0.96])
def test_mixed_pixels_are_found_by_depth_alone_where_fringes_add_up(share: float) -> None:
    surface, mixed = blade_before_casing(share, 5.0)
    even = replace(
        surface, modulation=np.full_like(surface.sigma_mm, 50.0)
    )  # 0.2 mm off, modulation in order
    cleaned = clean(even)
    assert cleaned.usable[mixed].mean() < 0.005
    assert cleaned.usable[~mixed].mean() > 0.998


def test_half_lit_pixels_before_the_dark_are_mixed() -> None:
    shown = wall()
    flags, modulation = shown.flags.copy(), shown.modulation.copy()
    flags[:, 120:] = Flag.DARK | Flag.NO_SURFACE
    modulation[:, 120:] = 0.5
    modulation[::2, 119], modulation[1::2, 119] = 25.0, 49.0  # half and wholly on the metal
    cleaned = clean(surface_of(replace(shown, flags=flags, modulation=modulation)))
    assert not cleaned.usable[::2, 119].any()
    assert cleaned.usable[1::2, 119].mean() > 0.98
    assert cleaned.usable[:, :119].mean() > 0.999


def test_texture_amid_a_face_is_no_edge() -> None:
    shown = wall()
    modulation, sigma = shown.modulation.copy(), shown.sigma.copy()
    rng = np.random.default_rng(SEED)
    for v, u in rng.integers(8, 170, (60, 2)):
        modulation[v : v + 3, u : u + 3] *= 0.2  # dark dots
        sigma[v : v + 3, u : u + 3] *= 5
    modulation[90, :] *= 0.4  # a scratch
    sigma[90, :] /= 0.4
    cleaned = clean(surface_of(replace(shown, modulation=modulation, sigma=sigma)))
    assert cleaned.usable.mean() > 0.9995


def test_saturated_pixels_make_no_outline() -> None:
    shown = wall()
    flags, modulation = shown.flags.copy(), shown.modulation.copy()
    flags[80:100, 100:140] |= int(Flag.SATURATED)
    modulation[80:100, 100:140] = 110.0
    modulation[79, 100:140] = 70.0  # the rim of the glint falls steeply
    modulation[78, 100:140] = 55.0
    cleaned = clean(surface_of(replace(shown, flags=flags, modulation=modulation)))
    assert cleaned.usable[(flags == 0)].mean() > 0.999


@pytest.mark.parametrize("slope_deg", [0, 45, 70, 78])
@pytest.mark.parametrize("scale", [0.6, 1.0, 20.0])
def test_steep_faces_survive_at_any_stand_off(slope_deg: float, scale: float) -> None:
    """Scaled by 20 the wall stands at 340 mm, as on large rigs, with pixels and noise 20 times as large."""
    shown = wall(sigma_mm=0.002)
    tangent = np.tan(np.radians(slope_deg))
    with np.errstate(divide="ignore"):
        z = 17 / (1 - tangent * rays_of(straight_head())[..., 0])
    seen = (z > 0) & (tangent * z / 17 < np.tan(np.radians(79.5)))  # as steep as it looks along the ray
    flags = np.where(seen, 0, int(Flag.NO_SURFACE))
    cleaned = clean(surface_of(replace(shown, z=np.where(seen, z, 17), flags=flags), scale=scale))
    assert seen.mean() > 0.4
    assert cleaned.usable[seen].mean() > 0.995


def test_noisy_faces_survive() -> None:
    cleaned = clean(surface_of(wall(sigma_mm=0.4)))
    assert cleaned.usable.mean() > 0.998


def test_small_patches_in_the_air_are_islands() -> None:
    shown = wall()
    flags = np.full(shown.z.shape, int(Flag.DARK))
    flags[:, :100] = 0
    flags[50:55, 150:156] = 0  # 30 pixels alone
    flags[100:110, 150:160] = 0  # 100 pixels alone
    cleaned = clean(surface_of(replace(shown, flags=flags)))
    assert (cleaned.flags[51:54, 151:155] == Flag.ISLAND).all()
    assert not cleaned.usable[50:55, 150:156].any()
    assert cleaned.usable[101:109, 151:159].all()
    assert cleaned.usable[:, :99].mean() > 0.999


def test_a_small_patch_off_the_face_behind_it_is_an_island() -> None:
    shown = wall()
    z = shown.z.copy()
    z[60:66, 60:66] -= 4.0
    cleaned = clean(surface_of(replace(shown, z=z)))
    assert not cleaned.usable[60:66, 60:66].any()
    assert (cleaned.flags[61:65, 61:65] & Flag.ISLAND).any()


def test_noise_columns_before_the_dark_leave_nothing() -> None:
    """Pixels that see nothing and pass decoding by chance have columns, and so depths, at random."""
    shown = wall()
    rng = np.random.default_rng(SEED)
    flags = np.where(rng.random(shown.z.shape) < 0.1, 0, int(Flag.DARK))
    z = rng.uniform(6, 60, shown.z.shape)
    cleaned = clean(surface_of(replace(shown, z=z, flags=flags)))
    assert not cleaned.usable.any()


def test_cleaning_moves_no_point_and_clears_no_flag() -> None:
    surface, _ = blade_before_casing(0.5)
    cleaned = clean(surface)
    assert cleaned.xyz_mm is surface.xyz_mm
    assert cleaned.sigma_mm is surface.sigma_mm
    assert ((cleaned.flags & surface.flags) == surface.flags).all()
    np.testing.assert_array_equal(clean(cleaned).usable[:, :115], cleaned.usable[:, :115])


def test_surfaces_without_head_or_modulation_are_cleaned_too() -> None:
    surface, mixed = blade_before_casing(0.5)
    cleaned = clean(replace(surface, head=None, modulation=None))
    assert not cleaned.usable[mixed].any()
    assert cleaned.usable[~mixed].mean() > 0.998


def test_a_surface_without_any_point_stays_so() -> None:
    shown = wall()
    cleaned = clean(surface_of(replace(shown, flags=np.full(shown.z.shape, int(Flag.NO_SURFACE)))))
    assert not cleaned.usable.any()


def test_absurd_rules_are_refused() -> None:
    with pytest.raises(ValueError, match="steepest_deg"):
        CleaningRule(steepest_deg=90)
    with pytest.raises(ValueError, match="modulation_share"):
        CleaningRule(modulation_share=(1.1, 1.2))
    with pytest.raises(ValueError, match="most_deviations"):
        CleaningRule(most_deviations=0)
