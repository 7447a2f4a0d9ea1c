"""Steps, flats and spheres on faces made by first principles; observations and objects."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analytic_looks import HEIGHT, WIDTH, DentedBall, pixels_of, small_head, surface_of

from fringewise.core.checks import Array
from fringewise.core.fits import fit_sphere
from fringewise.findings.face_form import FaceFit
from fringewise.findings.face_points import FacePoints
from fringewise.findings.finding import Finding, FindingResult
from fringewise.findings.kind import look_at
from fringewise.findings.registry import KINDS, measure_finding
from fringewise.findings.sphere import sphere_fit
from fringewise.sound.points import RayPoints
from fringewise.surface.surface import Surface

SEED = 20261129
NOISE_MM = 0.012
HEAD = small_head()
NORMAL = np.array([0.1, -0.15, -1.0]) / np.linalg.norm([0.1, -0.15, -1.0])
LEFT = np.array([[60.0, 70.0], [130.0, 70.0], [130.0, 170.0], [60.0, 170.0]])
RIGHT = LEFT + np.array([130.0, 0.0])


def rays() -> Array:
    v, u = np.mgrid[:HEIGHT, :WIDTH].astype(np.float64)
    x, y = HEAD.camera.lens.direction(u, v)
    way = np.stack([x, y, np.ones_like(x)], axis=-1)
    return np.asarray(way / np.linalg.norm(way, axis=-1, keepdims=True))


def faces(step_mm: float = 0.3, lean: float = 0.0, wave_mm: float = 0.0, seed: int = SEED) -> Surface:
    """Two planes 15 mm away, the right one nearer by `step_mm` and leaning by `lean`; waves along u."""
    way = rays()
    right = np.broadcast_to(np.arange(WIDTH) > 160, way.shape[:2])
    tilted = NORMAL + lean * np.array([1.0, 0.0, 0.0])
    tilted /= np.linalg.norm(tilted)
    pivot = np.array([1.9, 0.0, 15.0])
    base = np.array([0.0, 0.0, 15.0])
    low = (NORMAL @ base) / (way @ NORMAL)
    pivot += ((base - pivot) @ NORMAL + step_mm) * NORMAL
    high = (tilted @ pivot) / (way @ tilted)
    along = np.where(right, high, low)
    along = along + wave_mm / 2 * np.sin(np.arange(WIDTH) * 2 * np.pi / 80)
    noisy = along + np.random.default_rng(seed).normal(0, NOISE_MM, along.shape)
    flags = np.zeros(along.shape, dtype=np.uint16)
    sigma = np.full(along.shape, NOISE_MM, dtype=np.float32)
    return Surface((noisy[..., None] * way).astype(np.float32), sigma, flags, head=HEAD)


def step(
    surface: Surface, placing_px: float = 0.7, lower: Array = LEFT, upper: Array = RIGHT
) -> FindingResult:
    finding = Finding("S1", "step", {"lower_px": lower, "upper_px": upper}, placing_px)
    return measure_finding(look_at(surface, SEED), finding)


@pytest.mark.parametrize("height", [0.05, 0.3, -0.2])
def test_a_step_is_right_within_its_doubt_and_has_its_sign(height: float) -> None:
    one = step(faces(height)).quantity("step")
    assert abs(one.value - height) <= 3.5 * one.standard_uncertainty
    assert one.standard_uncertainty < 0.001
    swapped = step(faces(height), lower=RIGHT, upper=LEFT).quantity("step")
    assert swapped.value == pytest.approx(-one.value, abs=1e-4)


def test_steps_scatter_as_stated() -> None:
    found = [step(faces(seed=n), 0.0).quantity("step") for n in range(30)]
    errors = np.array([(one.value - 0.3) / one.standard_uncertainty for one in found])
    # 99 % band of the root mean square of 30 normal values: 0.68 to 1.34 (chi square)
    assert 0.68 <= np.sqrt(np.mean(errors**2)) <= 1.34


def test_tilt_is_the_angle_between_both_planes() -> None:
    leaning = step(faces(lean=0.02)).quantity("tilt_deg")
    tilted = NORMAL + np.array([0.02, 0.0, 0.0])
    true = np.degrees(np.arccos(NORMAL @ tilted / np.linalg.norm(tilted)))
    assert abs(leaning.value - true) <= 3.5 * leaning.standard_uncertainty
    parallel = step(faces()).quantity("tilt_deg")
    assert parallel.interval_95[0] <= 1e-9
    assert parallel.value <= 3 * parallel.standard_uncertainty


def test_patches_that_are_not_flat_are_said_to_be_so_and_widen_the_doubt() -> None:
    wavy = step(faces(wave_mm=0.08))
    assert "not flat" in " ".join(wavy.warnings)
    assert wavy.quantity("step").part("restored metal") > wavy.quantity("step").part("frame noise")


def test_a_patch_that_was_hardly_seen_is_refused_in_words() -> None:
    surface = faces()
    flags = surface.flags.copy()
    flags[90:165, 60:130] |= 1
    assert "can be used" in step(replace(surface, flags=flags)).reason


def flat(surface: Surface, outline: Array = LEFT) -> FindingResult:
    return measure_finding(look_at(surface, SEED), Finding("F1", "flat", {"outline_px": outline}))


def test_noise_alone_is_no_flatness() -> None:
    result = flat(faces())
    assert result.quantity("flatness").value <= 2 * result.quantity("flatness").standard_uncertainty
    # twelve micrometres of noise on 7,000 points range over some 90 µm; the filter leaves a tenth of it
    assert result.quantity("flatness").standard_uncertainty < 0.006
    words = " ".join(result.warnings)
    assert "Gaussian filter with a cut-off of" in words
    assert "points" in words


def test_waves_are_a_flatness() -> None:
    # one wave of 80 pixels (5 mm) and 80 µm from trough to crest, less what the plane takes with it
    outline = np.array([[20.0, 70.0], [140.0, 70.0], [140.0, 170.0], [20.0, 170.0]])
    result = flat(faces(wave_mm=0.08), outline)
    assert result.quantity("flatness").value == pytest.approx(0.08, abs=0.012)
    assert result.quantity("rms").value == pytest.approx(0.04 / np.sqrt(2), abs=0.006)


BALL = DentedBall(radius_mm=6.0, depth_mm=1e-9, standoff_mm=14.0)


def sphere(seed: int = SEED, arc_mm: float = 4.0, placing_px: float = 0.7) -> FindingResult:
    surface = surface_of(BALL, HEAD, NOISE_MM, np.random.default_rng(seed))
    turn = np.linspace(0, 2 * np.pi, 14, endpoint=False)
    outline = pixels_of(HEAD, np.array([BALL.on_part(arc_mm, t) for t in turn]))
    return measure_finding(
        look_at(surface, seed), Finding("B1", "sphere", {"outline_px": outline}, placing_px)
    )


@pytest.mark.parametrize("seed", range(3))
def test_a_ball_has_its_diameter_within_the_doubt(seed: int) -> None:
    result = sphere(seed)
    one = result.quantity("diameter")
    assert abs(one.value - 12.0) <= 3.5 * one.standard_uncertainty
    assert one.standard_uncertainty < 0.012
    assert result.quantity("form").value <= 3 * result.quantity("form").standard_uncertainty


def test_a_small_cap_is_said_to_tell_little() -> None:
    small = sphere(arc_mm=1.4)
    assert "half angle says little" in " ".join(small.warnings)
    large = sphere().quantity("diameter").standard_uncertainty
    assert small.quantity("diameter").standard_uncertainty > 5 * large


@pytest.mark.parametrize(("half_deg", "factor"), [(60.0, 5.29), (45.0, 10.17), (30.0, 24.2), (20.0, 55.7)])
def test_the_radius_scatters_with_the_cap_as_computed(half_deg: float, factor: float) -> None:
    # check_values 3.3: u(r) √n / s for points spread evenly over a cap of half angle h, radial noise s
    rng = np.random.default_rng(SEED)
    count, sigma = 20_000, 0.01
    cosine = rng.uniform(np.cos(np.radians(half_deg)), 1.0, count)
    turn = rng.uniform(0, 2 * np.pi, count)
    sine = np.sqrt(1 - cosine**2)
    way = np.column_stack([sine * np.cos(turn), sine * np.sin(turn), -cosine])
    xyz = np.array([0.0, 0.0, 500.0]) + 6.0 * way  # far away, so that rays are nearly parallel
    x, y, w = xyz[:, 0] / xyz[:, 2], xyz[:, 1] / xyz[:, 2], 1 / xyz[:, 2]
    slant = np.abs(np.einsum("ni,ni->n", xyz / np.linalg.norm(xyz, axis=1, keepdims=True), way))
    length = np.sqrt(x * x + y * y + 1)
    u, v = np.round(1000 * (x + y * 0.001)), np.round(1000 * y)
    points = RayPoints(u - u.min(), v - v.min(), x, y, w, sigma / slant * w**2 / length)
    face = FacePoints(points, np.ones(count, dtype=bool), np.zeros((3, 2)), 1.0)
    fit: FaceFit = sphere_fit(face, fit_sphere(points.xyz_mm))
    radius_sigma = float(np.sqrt(fit.noise_covariance[3, 3]))
    assert radius_sigma * np.sqrt(count) / sigma == pytest.approx(factor, rel=0.03)


def test_what_noise_pulls_the_diameter_by_is_taken_off() -> None:
    found = [sphere(seed, 2.2, 0.0).quantity("diameter") for seed in range(24)]
    errors = np.array([(one.value - 12.0) / one.standard_uncertainty for one in found])
    # without it the mean lies 1.2 standard uncertainties below; 0.6 is three times what 24 leave of the mean
    assert abs(errors.mean()) < 0.6
    assert 0.65 <= np.sqrt(np.mean(errors**2)) <= 1.38  # 99 % band of 24 normal values (chi square)


def test_a_flat_face_is_no_ball_and_a_hollow_is_refused() -> None:
    finding = Finding("B1", "sphere", {"outline_px": LEFT})
    result = measure_finding(look_at(faces()), finding)
    if result.reason:
        assert "ball" in result.reason or "hollow" in result.reason
    else:
        assert result.quantity("diameter").standard_uncertainty > 0.05 * result.quantity("diameter").value


def test_observations_are_kept_without_a_size() -> None:
    for marks in ({}, {"outline_px": LEFT}):
        result = measure_finding(look_at(faces()), Finding("O1", "observation", marks))
        assert result.status == "not_measured"
        assert "kept as seen" in result.reason
        assert len(result.drawing.lines_px) == len(marks)


def test_an_object_is_measured_from_end_to_end_where_its_ends_are_marked() -> None:
    surface = faces(0.0)
    ends = np.array([[80.0, 100.0], [220.0, 150.0]])
    one = measure_finding(look_at(surface), Finding("X1", "object", {"ends_px": ends}, 0.0)).quantity(
        "straight"
    )
    x, y = HEAD.camera.lens.direction(ends[:, 0], ends[:, 1])
    way = np.column_stack([x, y, np.ones(2)])
    true = way * ((NORMAL @ [0.0, 0.0, 15.0]) / (way @ NORMAL))[:, None]
    assert abs(one.value - np.linalg.norm(true[1] - true[0])) <= 3.5 * one.standard_uncertainty
    assert "mark its two ends" in measure_finding(look_at(surface), Finding("X2", "object")).reason


def test_every_kind_says_what_its_quantities_mean() -> None:
    for name in ("path", "crack", "gouge", "hole", "step", "flat", "sphere", "observation", "object"):
        assert KINDS[name].name == name
        assert all(one.words for one in KINDS[name].quantities)
