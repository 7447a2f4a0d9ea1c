"""Fits of shapes: exact on exact points, indifferent to place, turn and size, honest in their covariance."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from fringewise.core.errors import NotMeasurable
from fringewise.core.fits import (
    feet_on_ellipse,
    fit_circle,
    fit_ellipse,
    fit_line,
    fit_nonlinear,
    fit_plane,
    fit_sphere,
    fit_trimmed,
    solve_robust,
    solve_weighted,
    trim,
)

Array = npt.NDArray[np.float64]
seeds = st.integers(0, 2**32 - 1)
sizes = st.floats(1e-3, 1e3)


def cap(count: int, half_angle_rad: float, rng: np.random.Generator) -> Array:
    """Unit vectors (count, 3) spread evenly over a cap round +z."""
    z = rng.uniform(np.cos(half_angle_rad), 1.0, count)
    turn = rng.uniform(0, 2 * np.pi, count)
    side = np.sqrt(1 - z * z)
    return np.column_stack([side * np.cos(turn), side * np.sin(turn), z])


def on_ellipse(count: int, rng: np.random.Generator, sigma: float = 0.0) -> Array:
    """Points near the ellipse with centre (3, −2), semi-axes 5 and 2, turned by 0.5 rad."""
    t = rng.uniform(0, 2 * np.pi, count)
    own = np.column_stack([5 * np.cos(t), 2 * np.sin(t)])
    normal = own / [25, 4]
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    own = own + normal * rng.normal(0, 1, count)[:, None] * sigma
    c, s = np.cos(0.5), np.sin(0.5)
    return np.asarray(own @ np.array([[c, s], [-s, c]]) + [3, -2])


# Formal standard uncertainty · √n / sigma of a sphere fitted to a cap of half-angle h: across, along its
# axis, radius. Asymptotic reference; the full sphere's √3, √3, 1 and the hemisphere's √3, 2√3, 2 are exact.
CAPS = [
    (180, 1.73, 1.73, 1.00),
    (90, 1.73, 3.47, 2.00),
    (60, 2.19, 6.93, 5.29),
    (45, 2.75, 11.85, 10.17),
    (30, 3.95, 25.9, 24.2),
    (20, 5.81, 57.5, 55.7),
]


@pytest.mark.parametrize(("degrees", "across", "along", "radius"), CAPS)
def test_sphere_covariance_follows_the_cap_table(
    degrees: float, across: float, along: float, radius: float
) -> None:
    count, sigma, rng = 40_000, 0.01, np.random.default_rng(331)
    points = 12 * cap(count, np.radians(degrees), rng)
    points *= 1 + rng.normal(0, sigma / 12, count)[:, None]
    sphere = fit_sphere(points, sigma)
    found = np.sqrt(np.diag(sphere.covariance)) * np.sqrt(count) / sigma
    np.testing.assert_allclose(found, [across, across, along, radius], rtol=0.03)


@pytest.mark.parametrize(("count", "wanted"), [(100, 5.01), (1_000, 6.49), (10_000, 7.68), (100_000, 8.75)])
def test_form_grows_with_the_number_of_points(count: int, wanted: float) -> None:
    # Mean range / sigma of Gaussian scatter (recomputed: 2 n ∫ z Φ(z)^(n−1) φ(z) dz).
    rng, repeats = np.random.default_rng(341), 40 if count < 100_000 else 8
    ranges = []
    for _ in range(repeats):
        points = np.column_stack([rng.uniform(-1, 1, (count, 2)), rng.normal(0, 0.001, count)])
        ranges.append(np.ptp(fit_plane(points).residuals) / 0.001)
    spread = 0.65 / np.sqrt(repeats)  # a range of 100 and more Gaussian values scatters by 0.35 to 0.65 sigma
    assert np.mean(ranges) == pytest.approx(wanted, abs=4 * spread)


@given(seed=seeds, size=sizes)
def test_sphere_moves_and_grows_with_its_points(seed: int, size: float) -> None:
    rng = np.random.default_rng(seed)
    points = 2 * cap(60, 1.0, rng) * (1 + rng.normal(0, 0.003, 60)[:, None])
    turn, shift = Rotation.random(random_state=seed).as_matrix(), rng.normal(0, 10, 3)
    first = fit_sphere(points, 0.006)
    moved = fit_sphere(size * (points @ turn.T + shift), 0.006 * size)
    assert moved.radius == pytest.approx(size * first.radius, rel=1e-7)
    np.testing.assert_allclose(moved.centre, size * (turn @ first.centre + shift), atol=1e-6 * size)
    assert moved.chi2 == pytest.approx(first.chi2, rel=1e-6)
    turned = turn @ first.covariance[:3, :3] @ turn.T
    np.testing.assert_allclose(moved.covariance[:3, :3], size**2 * turned, rtol=1e-4, atol=1e-7 * size**2)


@given(seed=seeds, size=sizes)
def test_plane_and_line_move_and_grow_with_their_points(seed: int, size: float) -> None:
    rng = np.random.default_rng(seed)
    points = rng.normal(0, [5, 2, 0.01], (30, 3))
    turn, shift = Rotation.random(random_state=seed).as_matrix(), rng.normal(0, 10, 3)
    there = size * (points @ turn.T + shift)
    plane, moved = fit_plane(points), fit_plane(there)
    np.testing.assert_allclose(abs(moved.normal @ turn @ plane.normal), 1, rtol=1e-12)
    np.testing.assert_allclose(np.abs(moved.residuals), size * np.abs(plane.residuals), atol=1e-9 * size)
    np.testing.assert_allclose(
        moved.distance_sigma(there), size * plane.distance_sigma(points), rtol=1e-6, atol=1e-12 * size
    )
    line, shifted = fit_line(points), fit_line(there)
    np.testing.assert_allclose(abs(shifted.direction @ turn @ line.direction), 1, rtol=1e-12)
    assert shifted.chi2 == pytest.approx(size**2 * line.chi2, rel=1e-8)


@settings(max_examples=40)
@given(seed=seeds, size=sizes, angle=st.floats(-3, 3))
def test_ellipse_moves_and_grows_with_its_points(seed: int, size: float, angle: float) -> None:
    rng = np.random.default_rng(seed)
    points = on_ellipse(25, rng, 0.05)
    c, s = np.cos(angle), np.sin(angle)
    turn, shift = np.array([[c, -s], [s, c]]), rng.normal(0, 10, 2)
    first, moved = fit_ellipse(points), fit_ellipse(size * (points @ turn.T + shift))
    np.testing.assert_allclose(moved.centre, size * (turn @ first.centre + shift), atol=1e-6 * size)
    np.testing.assert_allclose(moved.semi_axes, size * first.semi_axes, rtol=1e-6)
    np.testing.assert_allclose(np.sin(moved.angle_rad - first.angle_rad - angle), 0, atol=1e-6)


@given(seed=seeds)
def test_circle_is_exact_on_exact_points(seed: int) -> None:
    rng = np.random.default_rng(seed)
    centre, radius = rng.normal(0, 100, 2), rng.uniform(0.1, 50)
    t = rng.uniform(0, 1.5) + np.array([0, 1.1, 1.9, 3.0, 4.0])
    circle = fit_circle(centre + radius * np.column_stack([np.cos(t), np.sin(t)]))
    np.testing.assert_allclose(circle.centre, centre, atol=1e-9 * (radius + 100))
    assert circle.radius == pytest.approx(radius, rel=1e-9)


def test_an_ellipse_fitted_to_a_circle_is_that_circle() -> None:
    t = np.arange(12) * np.pi / 6
    ellipse = fit_ellipse(np.column_stack([7 + 3 * np.cos(t), 3 * np.sin(t)]), 0.01)
    np.testing.assert_allclose([*ellipse.centre, *ellipse.semi_axes], [7, 0, 3, 3], atol=1e-7)


@given(seed=seeds)
def test_foot_on_an_ellipse_is_the_nearest_of_many(seed: int) -> None:
    rng = np.random.default_rng(seed)
    axes = np.array([3.0, rng.uniform(0.2, 3.0)])
    points = rng.normal(0, 3, (20, 2))
    feet = feet_on_ellipse(points, axes)
    np.testing.assert_allclose(np.sum((feet / axes) ** 2, axis=1), 1, atol=1e-9)
    t = np.linspace(0, 2 * np.pi, 4001)
    curve = np.column_stack([axes[0] * np.cos(t), axes[1] * np.sin(t)])
    nearest = np.linalg.norm(points[:, None] - curve, axis=2).min(axis=1)
    length = np.linalg.norm(points - feet, axis=1)
    assert np.all(length <= nearest + 1e-9)
    assert np.all(length >= nearest - 3e-3)  # the curve's points stand up to 5 µm · 10³ apart


def spreads(
    make: Callable[[np.random.Generator], Any], values: Callable[[Any], Array], runs: int = 400
) -> tuple[Array, Array]:
    """Standard deviations of fitted values over fresh noise, and the formal ones."""
    fits = [make(np.random.default_rng([977, n])) for n in range(runs)]
    found = np.std([values(fit) for fit in fits], axis=0)
    stated = np.sqrt(np.mean([np.diag(fit.covariance) for fit in fits], axis=0))
    return found, stated


@pytest.mark.heavy
def test_stated_uncertainty_of_shapes_agrees_with_monte_carlo() -> None:
    # 400 runs: a standard deviation is known to 3.5 %, so 12 % is beyond three of those.
    fixed = cap(300, 0.9, np.random.default_rng(1))
    t = np.linspace(0.2, 5.0, 40)
    circle_points = np.column_stack([2 * np.cos(t), 2 * np.sin(t)])
    flat = np.column_stack([np.random.default_rng(2).uniform(-2, 2, (50, 2)), np.zeros(50)])

    def sphere(rng: np.random.Generator) -> Any:
        return fit_sphere(5 * fixed * (1 + rng.normal(0, 0.002, 300)[:, None]), 0.01)

    def circle(rng: np.random.Generator) -> Any:
        return fit_circle(circle_points * (1 + rng.normal(0, 0.005, 40)[:, None]), 0.01)

    def ellipse(rng: np.random.Generator) -> Any:
        return fit_ellipse(on_ellipse(60, np.random.default_rng(3), 0) + rng.normal(0, 0.02, (60, 2)), 0.02)

    def ball(fit: Any) -> Array:
        return np.array([*fit.centre, fit.radius])

    for found, stated in (
        spreads(sphere, ball),
        spreads(circle, ball),
        spreads(ellipse, lambda fit: np.array([*fit.centre, *fit.semi_axes, fit.angle_rad])),
    ):
        np.testing.assert_allclose(found, stated, rtol=0.12)
    place = np.array([1.5, -1.0, 0.0])
    heights, sigmas = [], []
    for n in range(400):
        plane = fit_plane(flat + [0, 0, 1] * np.random.default_rng([978, n]).normal(0, 0.01, (50, 1)), 0.01)
        heights.append(plane.distances(place))
        sigmas.append(plane.distance_sigma(place))
    assert np.std(heights) == pytest.approx(np.mean(sigmas), rel=0.12)


@given(seed=seeds)
def test_weights_of_repeated_values_equal_repeating_them(seed: int) -> None:
    rng = np.random.default_rng(seed)
    design, values = rng.normal(0, 1, (12, 3)), rng.normal(0, 1, 12)
    often = rng.integers(1, 5, 12)
    weighted = solve_weighted(design, values, 0.3 / np.sqrt(often))
    repeated = solve_weighted(np.repeat(design, often, axis=0), np.repeat(values, often), 0.3)
    np.testing.assert_allclose(weighted.coefficients, repeated.coefficients, rtol=1e-8, atol=1e-10)
    np.testing.assert_allclose(weighted.covariance, repeated.covariance, rtol=1e-8, atol=1e-10)


def test_gross_values_leave_a_robust_fit_alone() -> None:
    rng = np.random.default_rng(5)
    x = np.linspace(-1, 1, 200)
    design = np.column_stack([np.ones_like(x), x])
    values = 3 + 2 * x + rng.normal(0, 0.05, 200)
    spoiled = values.copy()
    spoiled[::5] += rng.uniform(1, 20, 40)  # a fifth of the values, all to one side
    clean, robust = solve_weighted(design, values, 0.05), solve_robust(design, spoiled)
    assert np.all(np.abs(robust.solution.coefficients - clean.coefficients) < 1.5 * clean.sigma)
    # The median of all is the 62.5 % point of the good four fifths: 0.8871 sigma instead of 0.6745.
    assert robust.scale == pytest.approx(0.05 * 0.8871 / 0.6745, rel=0.12)
    assert np.all(robust.weights[::5] < 0.05)


@pytest.mark.heavy
def test_robust_covariance_agrees_with_monte_carlo() -> None:
    x = np.linspace(-1, 1, 80)
    design = np.column_stack([np.ones_like(x), x])
    for loss in ("huber", "tukey"):
        fits = [
            solve_robust(design, np.random.default_rng([6, n]).normal(0, 0.1, 80), loss=loss).solution
            for n in range(300)
        ]
        found = np.std([fit.coefficients for fit in fits], axis=0)
        np.testing.assert_allclose(found, np.mean([fit.sigma for fit in fits], axis=0), rtol=0.14)


def test_robust_fit_of_values_that_mostly_agree_exactly_takes_them() -> None:
    values = np.array([2.0, 2.0, 2.0, 2.0, 9.0])
    assert solve_robust(np.ones((5, 1)), values).solution.coefficients == pytest.approx([2.0])


def test_trim_goes_on_until_nothing_more_drops() -> None:
    # A gross value hides a lesser one from the first round.
    residuals = np.concatenate([np.tile([-1.0, 1.0], 20), [8.0, 1000.0, np.nan]])
    assert np.flatnonzero(~trim(residuals, 3)).tolist() == [40, 41, 42]
    assert not trim(np.array([np.nan])).any()


def test_trimmed_fit_forgets_gross_points() -> None:
    rng = np.random.default_rng(8)
    points = 25 * cap(2000, 0.8, rng) * (1 + rng.normal(0, 0.001, 2000)[:, None])
    points[::100] *= 1.05
    sphere, kept = fit_trimmed(fit_sphere, points, 3.0, 0.025)
    assert not kept[::100].any()
    assert kept.mean() > 0.97
    assert abs(sphere.radius - 25) < 4 * np.sqrt(sphere.covariance[3, 3])


def test_points_that_settle_nothing_are_refused() -> None:
    straight = np.column_stack([np.arange(9.0), 2 * np.arange(9.0), np.zeros(9)])
    flat = np.column_stack([np.random.default_rng(1).normal(0, 1, (20, 2)), np.zeros(20)])
    for fit, points in (
        (fit_plane, straight),
        (fit_plane, straight[:2]),
        (fit_line, np.ones((4, 3))),
        (fit_circle, straight[:, :2]),
        (fit_circle, straight[:2, :2]),
        (fit_ellipse, straight[:, :2]),
        (fit_ellipse, flat[:4, :2]),
        (fit_sphere, flat),
    ):
        with pytest.raises(NotMeasurable):
            fit(points)
    with pytest.raises(NotMeasurable):
        solve_weighted(np.ones((4, 2)), np.ones(4))
    with pytest.raises(NotMeasurable):
        fit_nonlinear(lambda p: np.ones(1) * p.sum(), [1.0, 2.0])


@pytest.mark.parametrize("sigma", [0.0, -1.0, np.nan, np.inf])
def test_a_sigma_that_is_no_uncertainty_is_refused(sigma: float) -> None:
    with pytest.raises(ValueError, match="sigma"):
        solve_weighted(np.ones((4, 1)), np.ones(4), sigma)


def test_without_degrees_of_freedom_or_sigma_the_covariance_is_not_known() -> None:
    exact = fit_circle(np.array([[1, 0], [0, 1], [-1, 0.0]]))
    assert np.isnan(exact.covariance).all()
    assert np.isfinite(fit_circle(np.array([[1, 0], [0, 1], [-1, 0.0]]), 0.1).covariance).all()


def test_plane_faces_the_camera() -> None:
    rng = np.random.default_rng(4)
    for _ in range(20):
        points = (
            rng.normal(0, [1, 1, 0.01], (20, 3))
            @ Rotation.random(random_state=rng.integers(1000)).as_matrix()
        )
        assert fit_plane(points).normal[2] <= 0
