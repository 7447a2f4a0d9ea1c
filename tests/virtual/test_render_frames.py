"""Frames of the virtual head follow its stated model: fringes, noise, response, defocus, mixed pixels."""

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from scipy import ndimage
from tiny_sheets import QUIET_16, Ball, Flat, bent_head, flat_scene, keyhole_head, small_head, turned

from fringewise.capture import FringeSet, NoiseModel
from fringewise.core.checks import Array
from fringewise.virtual import (
    Exposure,
    Scene,
    cast,
    expose,
    patch_pixels,
    pattern_place,
    render,
    standard_plan,
)

TURN = 2 * np.pi
EVEN = np.array([0, 0.25, 0.5, 0.75]) * TURN


def rng(seed: int = 11) -> np.random.Generator:
    return np.random.default_rng(seed)


def phase_of(frames: npt.NDArray[Any], shifts: Array) -> Array:
    """Phase of evenly shifted frames by the textbook's sums."""
    levels = frames.astype(float)
    sine, cosine = np.tensordot(np.sin(shifts), levels, 1), np.tensordot(np.cos(shifts), levels, 1)
    return np.asarray(np.arctan2(-sine, cosine))


def modulation_of(frames: npt.NDArray[Any], shifts: Array) -> Array:
    levels = frames.astype(float)
    sine, cosine = np.tensordot(np.sin(shifts), levels, 1), np.tensordot(np.cos(shifts), levels, 1)
    return np.asarray(2 / len(shifts) * np.hypot(sine, cosine))


def off_by(phase: Array, expected: Array) -> Array:
    return np.asarray((phase - expected + np.pi) % TURN - np.pi)


def contrasty(gamma: float) -> Exposure:
    """Light like (0.5 + 0.5 cos φ)^γ everywhere, nowhere saturated."""
    share = 0.4 / 2**gamma
    return Exposure(level_share=share, contrast=1.0, ambient=0.0, falloff=0.0, gamma=gamma, photo="none")


def test_fringes_follow_the_pattern_column() -> None:
    head, scene = small_head(), flat_scene(17.0, 8.0, 15.0)
    hits = cast(scene, head, rays_per_pixel=1)
    exposed = expose(hits, head, standard_plan(), Exposure(level_share=0.2, ambient=0.1), rng())
    column, _ = pattern_place(hits.truth.xyz_mm, head)
    for one in exposed.sets:
        error = off_by(phase_of(one.frames, EVEN), TURN * one.fringe_set.fringes * column)
        # 16-bit rounding of 0.29 levels on some 10,000 levels of modulation
        assert np.abs(error[hits.truth.lit]).max() < 4e-4  # rad


def test_fringes_across_rows_follow_the_pattern_row() -> None:
    head, scene = bent_head(), flat_scene(15.0, 8.0, 5.0)
    hits = cast(scene, head, rays_per_pixel=1)
    plan = (FringeSet(13.5, tuple(EVEN), "rows"),)
    exposed = expose(hits, head, plan, Exposure(), rng())
    _, row = pattern_place(hits.truth.xyz_mm, head)
    error = off_by(phase_of(exposed.sets[0].frames, EVEN), TURN * 13.5 * row)
    assert hits.truth.lit.mean() > 0.3
    assert np.abs(error[hits.truth.lit]).max() < 4e-4


def test_uneven_shifts_and_real_fringe_counts_are_drawn_as_asked() -> None:
    head, scene = small_head(), flat_scene(17.0)
    hits = cast(scene, head, rays_per_pixel=1)
    one = FringeSet(8.37, (0.3, 1.9, 4.4))
    exposed = expose(hits, head, (one,), Exposure(contrast=0.7, ambient=0.0), rng())
    column, _ = pattern_place(hits.truth.xyz_mm, head)
    levels = exposed.sets[0].frames[:, hits.truth.lit].astype(float)
    mean, cosine, sine = np.linalg.solve(one.design, levels)
    assert np.abs(off_by(np.arctan2(sine, cosine), TURN * 8.37 * column[hits.truth.lit])).max() < 4e-4
    assert np.abs(np.hypot(sine, cosine) / mean - 0.7).max() < 4e-4


def test_several_rays_a_pixel_do_not_bias_the_phase() -> None:
    head, scene = keyhole_head(), Scene((Ball(15.0),), turned(10, 20), np.array([0.0, 0.0, 32.0]))
    hits = cast(scene, head, rays_per_pixel=13)
    exposed = expose(hits, head, standard_plan(), Exposure(), rng())
    column, _ = pattern_place(hits.truth.xyz_mm, head)
    error = off_by(phase_of(exposed.sets[2].frames, EVEN), TURN * 49 * column)[hits.truth.lit]
    assert hits.truth.lit.sum() > 5000
    assert abs(error.mean()) < 2e-4  # rad: 0.1 µm of depth at 17 mm
    assert np.abs(error).max() < 2e-3


def test_median_lit_pixel_is_at_the_level_asked_for() -> None:
    head = small_head(noise=NoiseModel(1.23, 0.02, 8))
    for ambient, share in ((0.0, 0.5), (0.5, 0.3)):
        hits = cast(flat_scene(17.0, 10.0, 0.0), head, rays_per_pixel=1)
        exposure = Exposure(level_share=share, unsaturated=0.0, ambient=ambient, photo_share=0.6)
        exposed = expose(hits, head, standard_plan(), exposure, rng())
        mean = exposed.sets[1].frames.mean(axis=0)
        assert abs(np.median(mean[hits.truth.lit]) - share * 255) < 1.0
        assert exposed.photo is not None
        assert abs(np.median(exposed.photo[hits.truth.lit]) - 0.6 * 255) < 1.0


def test_light_is_turned_down_before_too_much_saturates() -> None:
    head = small_head(noise=NoiseModel(1.23, 0.02, 8))
    scene = Scene((Ball(9.0),), turned(0, 0), np.array([0.0, 0.0, 19.0]))
    hits = cast(scene, head, rays_per_pixel=1)
    for allowed, gamma in ((0.0, 1.0), (0.9, 1.0), (0.99, 1.4)):
        exposure = Exposure(level_share=0.6, unsaturated=allowed, gamma=gamma)
        frames = expose(hits, head, standard_plan(), exposure, rng()).sets[2].frames
        saturated = (frames.max(axis=0) == 255)[hits.truth.lit].mean()
        assert saturated > 0.2 if not allowed else saturated < 1 - allowed


@pytest.mark.parametrize("noise", [NoiseModel(1.23, 0.02, 8), NoiseModel(3.0, 0.4, 12, dark_dn=60.0)])
def test_frame_noise_has_the_mean_and_variance_that_the_head_states(noise: NoiseModel) -> None:
    head = small_head(60, 45)
    hits = cast(flat_scene(17.0), head, rays_per_pixel=1)
    plan, exposure = (FringeSet(3.0, tuple(EVEN)),), Exposure(photo="none", noise=noise)
    # the same grey levels without noise, many times as fine
    fine = 8 if noise.bits > 8 else 64
    light = expose(hits, head, plan, exposure, rng()).light_dn
    quiet = Exposure(photo="none", noise=QUIET_16, light_dn=light * fine)
    exact = expose(hits, head, plan, quiet, rng()).sets[0].frames / fine
    draw, total, square = rng(5), np.zeros((4, 45, 60)), np.zeros((4, 45, 60))
    for _ in range(300):
        frames = expose(hits, head, plan, exposure, draw).sets[0].frames.astype(float)
        total += frames
        square += frames**2
    mean, variance = total / 300, (square - total**2 / 300) / 299
    lit = hits.truth.lit
    assert exact.max() * fine < 65535
    level = exact + noise.dark_dn
    assert abs((mean - level)[:, lit].mean()) < 0.01  # grey levels
    stated = noise.variance_dn2(level)
    for low, high in ((20, 60), (60, 110), (110, 4000)):
        inside = lit & (exact >= low) & (exact < high)
        if inside.any():
            assert abs(variance[inside].mean() / stated[inside].mean() - 1) < 0.02, (low, high)


def test_noise_is_independent_from_pixel_to_pixel_and_frame_to_frame() -> None:
    head = small_head(noise=NoiseModel(1.23, 0.02, 8))
    hits = cast(flat_scene(17.0), head, rays_per_pixel=1)
    a, b = (expose(hits, head, standard_plan(), Exposure(), rng(n)).sets[2].frames for n in (1, 2))
    noise = (a.astype(float) - b)[:, 60:120, 80:160]
    scale = noise.var()
    assert abs((noise[0] * noise[1]).mean()) < 0.05 * scale
    assert abs((noise[:, :, 1:] * noise[:, :, :-1]).mean()) < 0.05 * scale
    assert abs((noise[:, 1:] * noise[:, :-1]).mean()) < 0.05 * scale


def test_the_same_seed_gives_the_same_frames() -> None:
    head = small_head(noise=NoiseModel(1.23, 0.02, 8))
    one, two = (render(flat_scene(), head, standard_plan(), Exposure(soot=0.4), rng(3)) for _ in range(2))
    for a, b in zip(one.capture.sets, two.capture.sets, strict=True):
        assert np.array_equal(a.frames, b.frames)
    assert one.capture.photo is not None
    assert two.capture.photo is not None
    assert np.array_equal(one.capture.photo, two.capture.photo)


def test_bright_pixels_are_clipped_at_saturation() -> None:
    head = small_head(noise=NoiseModel(0.5, 0.0, 10))
    hits = cast(flat_scene(17.0), head, rays_per_pixel=1)
    exposure = Exposure(level_share=0.7, unsaturated=0.0, contrast=1.0, ambient=0.0)
    frames = expose(hits, head, standard_plan(), exposure, rng()).sets[1].frames
    wide = replace(
        exposure, noise=QUIET_16, light_dn=expose(hits, head, standard_plan(), exposure, rng()).light_dn
    )
    exact = expose(hits, head, standard_plan(), wide, rng()).sets[1].frames
    assert frames.dtype == np.uint16
    assert frames.max() == 1023
    assert (frames[exact > 1026] == 1023).all()
    assert (exact > 1026).mean() > 0.1
    unclipped = (exact < 1018) & (exact > 5)
    assert np.abs(frames[unclipped].astype(float) - exact[unclipped]).max() < 5  # ten sigma


@pytest.mark.parametrize(
    ("gamma", "shifts", "greatest_rad"),
    # largest phase error of I = (0.5 + 0.5 cos φ)^γ: closed form of the harmonics, recomputed numerically
    [(1.5, 3, 0.139113), (1.5, 4, 0.014189), (2.0, 3, 0.252680), (2.2, 4, 0.010633), (3.0, 4, 0.066716)],
)
def test_nonlinear_response_follows_the_law_of_its_harmonics(
    gamma: float, shifts: int, greatest_rad: float
) -> None:
    head = small_head()
    hits = cast(flat_scene(17.0), head, rays_per_pixel=1)
    one = expose(hits, head, standard_plan(shifts, (7.0,)), contrasty(gamma), rng()).sets[0]
    column, _ = pattern_place(hits.truth.xyz_mm, head)
    error = off_by(phase_of(one.frames, np.array(one.fringe_set.shifts_rad)), TURN * 7 * column)
    assert np.abs(error[hits.truth.lit]).max() == pytest.approx(greatest_rad, abs=3e-4)


def test_integer_responses_leave_no_error_where_the_harmonics_end() -> None:
    head = small_head()
    hits = cast(flat_scene(17.0), head, rays_per_pixel=1)
    column, _ = pattern_place(hits.truth.xyz_mm, head)
    for gamma, shifts in ((2.0, 4), (3.0, 5)):
        exposure = contrasty(gamma)
        one = expose(hits, head, standard_plan(shifts, (7.0,)), exposure, rng()).sets[0]
        error = off_by(phase_of(one.frames, np.array(one.fringe_set.shifts_rad)), TURN * 7 * column)
        assert np.abs(error[hits.truth.lit]).max() < 5e-4  # rad: 16-bit rounding


def test_contrast_falls_with_fringe_count_and_distance_from_focus() -> None:
    head = small_head()
    for z in (12.0, 17.0, 24.0):
        hits = cast(flat_scene(z), head, rays_per_pixel=1)
        exposure = Exposure(contrast=0.8, ambient=0.0, aperture_mm=0.12, focus_mm=17.0, photo="none")
        for one in expose(hits, head, standard_plan(), exposure, rng()).sets:
            middle = hits.truth.lit & (np.hypot(hits.truth.xyz_mm[..., 0], hits.truth.xyz_mm[..., 1]) < 3)
            seen = modulation_of(one.frames, EVEN)[middle] / one.frames.mean(axis=0)[middle]
            blur = 0.12 * abs(1 / z - 1 / 17.0) * 0.72
            kept = np.exp(-2 * (np.pi * one.fringe_set.fringes * blur) ** 2)
            assert seen == pytest.approx(0.8 * kept, abs=2e-4)


def test_light_falls_off_with_distance_and_slant() -> None:
    head = small_head()
    exposure = Exposure(light_dn=20000.0, ambient=0.0, photo="none")
    for scene in (flat_scene(12.0), flat_scene(20.0, 0.0, 30.0)):
        hits = cast(scene, head, rays_per_pixel=1)
        mean = expose(hits, head, standard_plan(), exposure, rng()).sets[0].frames.mean(axis=0)
        to_light = np.array([2.6, 0, 0]) - hits.truth.xyz_mm
        distance = np.linalg.norm(to_light, axis=-1)
        slant = to_light @ scene.rotation[:, 2] / distance
        expected = 20000 * 0.6 * slant * (17.0 / distance) ** 2
        assert np.abs(mean - expected)[hits.truth.lit].max() < 1.0  # of some 10,000 levels


def test_gloss_is_a_lobe_about_the_mirror_direction() -> None:
    head = small_head()
    hits = cast(flat_scene(17.0), head, rays_per_pixel=1)
    base = Exposure(light_dn=8000.0, ambient=0.0, photo="none")
    dull, shiny = (
        expose(hits, head, standard_plan(), one, rng()).sets[0].frames.mean(axis=0)
        for one in (base, replace(base, gloss=1.5, gloss_width_rad=0.1))
    )
    lit, xyz = hits.truth.lit, hits.truth.xyz_mm
    excess = np.where(lit, shiny / np.maximum(dull, 1) - 1, 0)
    brightest = np.unravel_index(excess.argmax(), excess.shape)
    # seen from (0, 0, 0), lit from (2.6, 0, 0): a plane square to the axis mirrors at x = 1.3, y = 0
    assert np.abs(xyz[brightest][:2] - [1.3, 0.0]).max() < 0.15  # mm, one or two pixels
    assert excess.max() == pytest.approx(1.5, abs=0.01)
    assert excess[np.hypot(xyz[..., 0] - 1.3, xyz[..., 1]) > 8].max() < 0.05  # 0.23 rad off the lobe's middle


def test_a_matt_sheet_takes_no_gloss() -> None:
    head, scene = small_head(), flat_scene(17.0, sheet=Flat(gloss=0.0))
    base = Exposure(light_dn=8000.0)
    hits = cast(scene, head, rays_per_pixel=1)
    one, two = (expose(hits, head, standard_plan(), e, rng()) for e in (base, replace(base, gloss=2.0)))
    assert np.array_equal(one.sets[2].frames, two.sets[2].frames)


def test_ambient_light_fills_shadow_and_carries_no_fringes() -> None:
    head = small_head()
    strip = Flat("strip", half=(1.0, 40.0), centre=(-1.5, 0.0), height=6.0)
    scene = Scene((Flat(half=(40.0, 40.0)), strip), turned(0, 0), np.array([0.0, 0.0, 20.0]))
    hits = cast(scene, head, rays_per_pixel=1)
    shadow = (hits.truth.patch == 0) & ~hits.truth.lit
    dark, filled = (
        expose(hits, head, standard_plan(), Exposure(ambient=a, level_share=0.2), rng()).sets[1].frames
        for a in (0.0, 0.2)
    )
    assert dark[:, shadow].max() == 0
    assert modulation_of(filled, EVEN)[shadow].max() < 1.0
    # even light of 0.2 of the projector's, in a frame where both together stand at 0.2 of 65535
    assert np.median(filled[:, shadow]) == pytest.approx(0.2 * 65535 * 0.2 / 1.2, rel=0.02)


def test_background_lights_pixels_that_look_past_the_part() -> None:
    head, scene = small_head(), flat_scene(17.0, sheet=Flat(half=(5.0, 5.0)))
    hits = cast(scene, head)
    past = np.diff(hits.first).reshape(180, 240) == 0
    frames = expose(hits, head, standard_plan(), Exposure(background=0.25, ambient=0.0), rng()).sets[0].frames
    assert past.mean() > 0.4
    assert np.median(frames[:, past]) == pytest.approx(0.25 * 0.4 * 65535, rel=1e-3)


def test_pixels_are_mixed_only_at_outlines() -> None:
    head = small_head()
    front, behind = Flat(half=(4.0, 3.0)), Flat("casing", height=-3.0)
    scene = Scene((front, behind), turned(0, 12), np.array([0.0, 0.0, 15.0]))
    hits = cast(scene, head)
    frames = expose(hits, head, standard_plan(), Exposure(level_share=0.2), rng()).sets[2].frames
    column, _ = pattern_place(hits.truth.xyz_mm, head)
    lit, number = hits.truth.lit, hits.truth.patch.astype(int)
    error = np.abs(off_by(phase_of(frames, EVEN), TURN * 49 * column))
    kind = np.where(lit, number, -2)
    at_outline = ndimage.maximum_filter(kind, 3) != ndimage.minimum_filter(kind, 3)
    inside = lit.copy()
    inside[[0, -1]] = inside[:, [0, -1]] = False
    assert error[inside & ~at_outline].max() < 0.01  # rad
    assert (error[inside & at_outline] > 0.1).sum() > 40


def test_mixed_pixels_weigh_their_surfaces_by_area() -> None:
    # an upright edge that crosses the rows: the metal's share of each pixel is known
    head = keyhole_head()
    front = Flat(half=(4.0, 8.0), centre=(-4.0, 0.0))
    hits = cast(Scene((front,), turned(0, 0), np.array([0.0, 0.0, 17.0])), head, rays_per_pixel=9)
    photo = expose(hits, head, standard_plan(), Exposure(ambient=0.0, falloff=0.0), rng()).photo
    assert photo is not None
    edge = patch_pixels(hits.scene, head, "flat", np.zeros(90), np.linspace(-1.0, 1.0, 90))
    u_edge = np.interp(np.arange(90), edge[::-1, 1], edge[::-1, 0])
    inside = photo[:, 40:50].astype(float).mean(axis=1)
    found = 50 + photo[:, 50:].astype(float).sum(axis=1) / inside - 0.5
    assert abs((found - u_edge).mean()) < 0.02  # px
    assert np.abs(found - u_edge).max() < 0.15


def test_a_dot_lies_in_the_photo_where_patch_pixels_says() -> None:
    head = keyhole_head()
    hits = cast(flat_scene(17.0, 10.0, 25.0, Flat(dot_mm=0.5)), head)
    photo = expose(hits, head, standard_plan(), Exposure(ambient=0.0), rng()).photo
    assert photo is not None
    dark = 1 - photo / np.median(photo)
    v, u = np.mgrid[:90, :120]
    weight = np.where(dark > 0.3, dark, 0.0)
    seen = np.array([(weight * u).sum(), (weight * v).sum()]) / weight.sum()
    marked = patch_pixels(hits.scene, head, "flat", np.zeros(1), np.zeros(1))[0]
    # perspective moves a dot's centroid from its centre by some 0.1 px at this tilt and size
    assert np.abs(seen - marked).max() < 0.3


def test_colour_photos_have_three_channels_on_the_frames_grid() -> None:
    head = small_head()
    photo = render(flat_scene(), head, standard_plan(), Exposure(photo="colour"), rng()).capture.photo
    assert photo is not None
    assert photo.shape == (180, 240, 3)
    red, green, blue = np.median(photo, axis=(0, 1))
    assert red > green > blue
    assert render(flat_scene(), head, standard_plan(), Exposure(photo="none"), rng()).capture.photo is None


def test_soot_darkens_metal_and_leaves_the_phase() -> None:
    head = small_head()
    hits = cast(flat_scene(17.0), head, rays_per_pixel=1)
    clean, sooty = (
        expose(hits, head, standard_plan(), Exposure(light_dn=20000.0, soot=s, ambient=0.0), rng())
        for s in (0.0, 0.6)
    )
    lit = hits.truth.lit
    ratio = sooty.sets[0].frames.mean(axis=0)[lit] / clean.sets[0].frames.mean(axis=0)[lit]
    assert 0.39 < ratio.min() < 0.6
    assert 0.8 < ratio.max() <= 1.001
    difference = off_by(phase_of(sooty.sets[2].frames, EVEN), phase_of(clean.sets[2].frames, EVEN))[lit]
    assert np.abs(difference).max() < 2e-3


def test_light_handed_on_gives_the_same_exposure_again() -> None:
    head = small_head()
    hits = cast(flat_scene(17.0), head, rays_per_pixel=1)
    first = expose(hits, head, standard_plan(), Exposure(), rng())
    again = expose(hits, head, standard_plan(), Exposure(light_dn=first.light_dn), rng())
    assert np.array_equal(first.sets[0].frames, again.sets[0].frames)


def test_a_capture_may_state_another_head_than_the_true_one() -> None:
    head = small_head()
    stated = replace(head, serial="STATED")
    rendered = render(flat_scene(), head, standard_plan(), Exposure(), rng(), stated_head=stated, probe="P-1")
    assert rendered.capture.head is stated
    assert rendered.capture.probe == "P-1"
    assert [one.fringe_set.fringes for one in rendered.capture.sets] == [1, 7, 49]


def test_exposures_that_can_not_be_taken_are_refused() -> None:
    head = small_head(40, 30)
    hits = cast(flat_scene(17.0), head, rays_per_pixel=1)
    rows = (FringeSet(5.0, tuple(EVEN), "rows"),)
    with pytest.raises(ValueError, match="rows need a projector with a height"):
        expose(hits, head, rows, Exposure(), rng())
    with pytest.raises(ValueError, match="needs its own"):
        expose(hits, replace(head, noise=None), standard_plan(), Exposure(), rng())
    with pytest.raises(ValueError, match="camera that was cast with"):
        expose(hits, small_head(60, 45), standard_plan(), Exposure(), rng())


@pytest.mark.parametrize(
    ("name", "value"),
    [("contrast", 1.2), ("soot", -0.1), ("gamma", 0.0), ("gloss", -1.0), ("level_share", float("nan"))],
)
def test_impossible_exposures_are_refused(name: str, value: float) -> None:
    with pytest.raises(ValueError, match=name):
        Exposure(**{name: value})  # type: ignore[arg-type]
