"""Splines and smooth fields: against scipy, dense algebra, and repeated noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import BSpline

from fringewise.core.checks import Array
from fringewise.sound.smooth import fit_again, fit_smooth
from fringewise.sound.spline import Axis, add_products

SEED = 20261125


@given(st.integers(1, 12), st.floats(0.01, 10), st.floats(-5, 5), st.integers(0, 2))
def test_splines_are_those_of_an_independent_library(
    spans: int, step: float, low: float, derivative: int
) -> None:
    axis = Axis(low, step, spans)
    at = low + step * spans * np.linspace(0.001, 0.999, 23)
    knots = low + step * np.arange(-3, spans + 4)
    theirs = BSpline(knots, np.eye(axis.count), 3)
    expected = (theirs.derivative(derivative) if derivative else theirs)(at)
    np.testing.assert_allclose(axis.dense(at, derivative), expected, atol=1e-9 / step**derivative)


def test_band_holds_the_sums_of_products() -> None:
    rng = np.random.default_rng(SEED)
    along_x, along_y = Axis(0.0, 0.25, 4), Axis(0.0, 0.2, 5)
    x, y, weight = rng.uniform(0, 1, 200), rng.uniform(0, 1, 200), rng.uniform(0.5, 2, 200)
    (sx, bx), (sy, by) = along_x.local(x), along_y.local(y)
    size = along_x.count * along_y.count
    band = np.zeros((3 * along_y.count + 4, size))
    add_products(sx, bx, sy, by, weight, along_y.count, band)
    rows = (along_x.dense(x)[:, :, None] * along_y.dense(y)[:, None, :]).reshape(200, -1)
    full = rows.T @ (weight[:, None] * rows)
    for k in range(len(band)):
        np.testing.assert_allclose(band[k, : size - k], np.diagonal(full, -k), atol=1e-12)
    assert np.allclose(np.tril(full, -len(band)), 0)


def hill(x: Array, y: Array) -> Array:
    return np.asarray(0.2 * np.exp(-((x - 0.5) ** 2 + (y - 0.45) ** 2) / 0.05))


@pytest.mark.parametrize("rounds", [0, 2])
def test_stated_uncertainty_is_that_of_repeated_noise(rounds: int) -> None:
    rng = np.random.default_rng(SEED)
    x, y = (one.ravel() for one in np.meshgrid(np.linspace(0, 1, 50), np.linspace(0, 1, 50)))
    at = rng.uniform(0.1, 0.9, (2, 40))
    normalised = []
    for _ in range(12):
        value = hill(x, y) + rng.normal(0, 0.012, len(x))
        smooth = fit_smooth(x, y, value, np.full(len(x), 0.012), knots=16, rounds=rounds)
        off = smooth.values(*at) - hill(*at)
        normalised.append(off / np.sqrt(smooth.variance(smooth.basis(*at))))
        assert smooth.misfit == pytest.approx(1.0, abs=0.06)
    # the Bayesian uncertainty counts what smoothing may have cost, so it is a little large for a smooth truth
    assert 0.7 <= np.sqrt(np.mean(np.square(normalised))) <= 1.15


def test_variance_and_draws_agree() -> None:
    rng = np.random.default_rng(SEED)
    x, y = rng.uniform(0, 1, (2, 900))
    smooth = fit_smooth(x, y, hill(x, y) + rng.normal(0, 0.01, 900), np.full(900, 0.01), knots=8)
    rows = smooth.basis(np.array([0.3, 0.5]), np.array([0.4, 0.5]))
    drawn = smooth.draws(4000, rng) @ rows.T
    np.testing.assert_allclose(drawn.mean(axis=0), rows @ smooth.coefficients, atol=4e-4)
    np.testing.assert_allclose(drawn.var(axis=0), smooth.variance(rows), rtol=0.1)


def test_effective_terms_are_the_trace_of_the_smoother() -> None:
    rng = np.random.default_rng(SEED)
    x, y = rng.uniform(0, 1, (2, 600))
    smooth = fit_smooth(x, y, hill(x, y) + rng.normal(0, 0.02, 600), np.full(600, 0.02), knots=6)
    rows = smooth.basis(x, y)
    exact = float(smooth.variance(rows).sum() / max(1.0, smooth.misfit) ** 2 / 0.02**2)
    assert smooth.effective_terms == pytest.approx(exact, rel=0.1)


def test_a_plane_is_given_back_whole() -> None:
    x, y = np.random.default_rng(SEED).uniform(0, 1, (2, 400))
    smooth = fit_smooth(x, y, 1 + 2 * x - y, np.full(400, 0.01), knots=8)
    np.testing.assert_allclose(smooth.values(x, y), 1 + 2 * x - y, atol=1e-6)
    np.testing.assert_allclose(smooth.values(x, y, (1, 0)), 2.0, atol=1e-4)


def test_fitting_again_to_the_same_values_gives_the_same_field() -> None:
    rng = np.random.default_rng(SEED)
    x, y = rng.uniform(0, 1, (2, 800))
    value, sigma = hill(x, y) + rng.normal(0, 0.01, 800), np.full(800, 0.01)
    first = fit_smooth(x, y, value, sigma, knots=8, rounds=1)
    np.testing.assert_allclose(
        fit_again(first, x, y, value, sigma).coefficients, first.coefficients, atol=1e-10
    )


def test_a_little_more_smoothing_moves_the_field_as_its_derivative_says() -> None:
    rng = np.random.default_rng(SEED)
    x, y = rng.uniform(0, 1, (2, 800))
    value, sigma = hill(x, y) + rng.normal(0, 0.01, 800), np.full(800, 0.01)
    first = fit_smooth(x, y, value, sigma, knots=8, rounds=1)
    more, less = (
        fit_again(replace(first, penalty=first.penalty * np.exp(way)), x, y, value, sigma).coefficients
        for way in (0.01, -0.01)
    )
    expected = (more - less) / 0.02
    np.testing.assert_allclose(first.by_smoothness(), expected, atol=1e-4 * np.abs(expected).max())
