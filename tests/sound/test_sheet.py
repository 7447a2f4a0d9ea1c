"""The sound sheet gives back what was put in, knows how well, and is not pulled by other damage."""

from __future__ import annotations

import numpy as np
import pytest

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.sound.points import RayPoints
from fringewise.sound.sheet import fit_sheet, restore_sheet

SEED = 20261125
SIGMA = 5e-5  # 1/mm: 12 µm at 15 mm


def ring(rng: np.random.Generator, noise: Array | float | None = None) -> RayPoints:
    """Points of a smooth surface in a ring of 30 to 60 pixels about (100, 100)."""
    v, u = np.mgrid[30:171, 30:171].astype(np.float64)
    away = np.hypot(u - 100, v - 100)
    chosen = (away > 30) & (away < 60)
    u, v = u[chosen], v[chosen]
    x, y = (u - 100) / 700, (v - 100) / 700
    scatter = rng.normal(0, SIGMA, len(u)) if noise is None else noise
    return RayPoints(u, v, x, y, true_w(x, y) + scatter, np.full(len(u), SIGMA))


def true_w(x: Array, y: Array) -> Array:
    return np.asarray(1 / 15 + 0.02 * x - 0.01 * y + 0.4 * x * x - 0.2 * x * y + 0.8 * x * y * y)


MIDDLE = np.array([0.0, 0.01, -0.02]), np.array([0.0, 0.015, 0.01])


def test_sheet_gives_back_a_polynomial_without_noise() -> None:
    sheet = restore_sheet(ring(np.random.default_rng(SEED), 0.0), patch_px=60)
    np.testing.assert_allclose(sheet.inverse_depth(*MIDDLE), true_w(*MIDDLE), atol=1e-9)


def test_slopes_are_the_derivatives_of_the_sheet() -> None:
    sheet = restore_sheet(ring(np.random.default_rng(SEED)), patch_px=60)
    x, y = MIDDLE
    in_x, in_y = sheet.slopes(x, y)
    step = 1e-5
    by_x = (sheet.inverse_depth(x + step, y) - sheet.inverse_depth(x - step, y)) / (2 * step)
    by_y = (sheet.inverse_depth(x, y + step) - sheet.inverse_depth(x, y - step)) / (2 * step)
    np.testing.assert_allclose(in_x, by_x, rtol=1e-5, atol=1e-8)
    np.testing.assert_allclose(in_y, by_y, rtol=1e-5, atol=1e-8)


def test_stated_covariance_agrees_with_repeated_noise() -> None:
    rng = np.random.default_rng(SEED)
    off, stated = [], []
    for _ in range(60):
        sheet = restore_sheet(ring(rng), patch_px=60)
        row = sheet.basis(*(one[:1] for one in MIDDLE))[0]
        off.append(float(row @ sheet.coefficients - true_w(*(one[:1] for one in MIDDLE))[0]))
        stated.append(float(row @ (sheet.noise_covariance + sheet.model_covariance) @ row))
    normalised = np.array(off) / np.sqrt(stated)
    assert 0.75 <= np.sqrt(np.mean(normalised**2)) <= 1.25


def test_correlated_residuals_inflate_the_covariance() -> None:
    rng = np.random.default_rng(SEED)
    white = restore_sheet(ring(rng), patch_px=60)
    points = ring(rng)
    waves = 2 * SIGMA * np.sin(points.u / 3.0) * np.cos(points.v / 3.0)
    wavy = RayPoints(points.u, points.v, points.x, points.y, points.inverse_depth + waves, points.sigma)
    assert white.inflation <= 1.5
    assert restore_sheet(wavy, patch_px=60).inflation >= 3.0


@pytest.mark.parametrize("depth_sigmas", [3.0, 10.0, 30.0])
def test_a_second_damage_in_the_ring_does_not_pull_the_sheet(depth_sigmas: float) -> None:
    rng = np.random.default_rng(SEED)
    points = ring(rng)
    clean = restore_sheet(points, patch_px=60)
    dent = depth_sigmas * SIGMA * np.exp(-0.5 * (np.hypot(points.u - 145, points.v - 100) / 6) ** 2)
    hit = RayPoints(points.u, points.v, points.x, points.y, points.inverse_depth - dent, points.sigma)
    sheet = restore_sheet(hit, patch_px=60)
    moved_um = 1e3 * 15.0**2 * np.abs(sheet.inverse_depth(*MIDDLE) - clean.inverse_depth(*MIDDLE))
    assert moved_um.max() <= 3.0  # 36 to 360 µm deep; and within what the sheet states
    rows = sheet.basis(*MIDDLE)
    stated = np.einsum("ni,ij,nj->n", rows, sheet.noise_covariance + sheet.model_covariance, rows)
    assert (moved_um <= 2 * 1e3 * 15.0**2 * np.sqrt(stated)).all()
    assert not sheet.kept[np.hypot(points.u - 145, points.v - 100) < 3].any()


def test_one_degree_is_the_least_squares_solution_of_numpy() -> None:
    points = ring(np.random.default_rng(SEED))
    sheet = fit_sheet(points, 2)
    kept = points.where(sheet.kept)
    terms = np.stack([kept.x**a * kept.y**b for a in range(3) for b in range(3 - a)], axis=1)
    solution = np.linalg.lstsq(terms, kept.inverse_depth, rcond=None)[0]
    x, y = MIDDLE
    expected = np.stack([x**a * y**b for a in range(3) for b in range(3 - a)], axis=1) @ solution
    np.testing.assert_allclose(sheet.inverse_depth(x, y), expected, rtol=1e-9)


def test_too_few_points_are_refused_in_words() -> None:
    points = ring(np.random.default_rng(SEED))
    with pytest.raises(NotMeasurable, match="only 59 points of sound metal"):
        restore_sheet(points.where(np.arange(59)), patch_px=60)
