"""Least squares against values that others certified or published."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from fringewise.core.fits import (
    algebraic_ball,
    fit_circle,
    fit_ellipse,
    fit_nonlinear,
    solve_robust,
    solve_weighted,
)

Array = npt.NDArray[np.float64]
NIST = Path(__file__).parent / "nist"


def certified(name: str) -> tuple[Array, Array, Array]:
    """Data (N, 2) of y and x, starts (2, P), certified parameters and their deviations (P, 2)."""
    lines = (NIST / name).read_text(encoding="ascii").splitlines()
    data = np.array([[float(word) for word in line.split()] for line in lines[60:] if line.strip()])
    rows = [line.split("=")[1].split() for line in lines[40:60] if line.strip().startswith("b")]
    table = np.array([[float(word) for word in row] for row in rows])
    return data, table[:, :2].T, table[:, 2:]


def left_over(data: Array, model: Callable[[Array, Array], Array], b: Array) -> Array:
    return np.asarray(data[:, 0] - model(b, data[:, 1]))


def misra1a(b: Array, x: Array) -> Array:
    return np.asarray(b[0] * (1 - np.exp(-b[1] * x)))


def gauss1(b: Array, x: Array) -> Array:
    bells = b[2] * np.exp(-(((x - b[3]) / b[4]) ** 2)) + b[5] * np.exp(-(((x - b[6]) / b[7]) ** 2))
    return np.asarray(b[0] * np.exp(-b[1] * x) + bells)


def mgh09(b: Array, x: Array) -> Array:
    return np.asarray(b[0] * (x * x + x * b[1]) / (x * x + x * b[2] + b[3]))


def thurber(b: Array, x: Array) -> Array:
    under = 1 + x * (b[4] + x * (b[5] + x * b[6]))
    return np.asarray((b[0] + x * (b[1] + x * (b[2] + x * b[3]))) / under)


@pytest.mark.parametrize(
    ("name", "model", "start"),
    [
        ("Misra1a", misra1a, 0),
        ("Misra1a", misra1a, 1),
        ("Gauss1", gauss1, 0),
        ("Gauss1", gauss1, 1),
        ("MGH09", mgh09, 1),
        ("Thurber", thurber, 0),
        ("Thurber", thurber, 1),
    ],
)
def test_nonlinear_fit_gives_nist_certified_parameters(
    name: str, model: Callable[[Array, Array], Array], start: int
) -> None:
    # NIST StRD nonlinear regression, lower (Misra1a, Gauss1) to higher difficulty (MGH09, Thurber).
    data, starts, wanted = certified(f"{name}.dat")
    fit = fit_nonlinear(partial(left_over, data, model), starts[start])
    np.testing.assert_allclose(fit.coefficients, wanted[:, 0], rtol=2e-6)
    np.testing.assert_allclose(fit.sigma, wanted[:, 1], rtol=2e-5)


def test_nonlinear_fit_gives_nist_residual_sums() -> None:
    # NIST StRD: residual sums of squares of Misra1a and Gauss1.
    for name, model, wanted in (("Misra1a", misra1a, 1.2455138894e-01), ("Gauss1", gauss1, 1.3158222432e03)):
        data, starts, _ = certified(f"{name}.dat")
        fit = fit_nonlinear(partial(left_over, data, model), starts[0])
        assert fit.chi2 == pytest.approx(wanted, rel=1e-10)


def test_linear_fit_gives_nist_norris() -> None:
    # NIST StRD linear regression, Norris: certified estimates, deviations and residual deviation.
    lines = (NIST / "Norris.dat").read_text(encoding="ascii").splitlines()
    y, x = np.array([[float(word) for word in line.split()] for line in lines[60:] if line.strip()]).T
    fit = solve_weighted(np.column_stack([np.ones_like(x), x]), y)
    np.testing.assert_allclose(fit.coefficients, [-0.262323073774029, 1.00211681802045], rtol=1e-12)
    np.testing.assert_allclose(fit.sigma, [0.232818234301152, 0.429796848199937e-03], rtol=1e-12)
    assert fit.scatter == pytest.approx(0.884796396144373, rel=1e-12)
    assert fit.degrees_of_freedom == 34


# NIST StRD linear regression, Longley: y, then the six predictors; condition number of some 5e9.
LONGLEY = np.array(
    [
        [60323, 83.0, 234289, 2356, 1590, 107608, 1947],
        [61122, 88.5, 259426, 2325, 1456, 108632, 1948],
        [60171, 88.2, 258054, 3682, 1616, 109773, 1949],
        [61187, 89.5, 284599, 3351, 1650, 110929, 1950],
        [63221, 96.2, 328975, 2099, 3099, 112075, 1951],
        [63639, 98.1, 346999, 1932, 3594, 113270, 1952],
        [64989, 99.0, 365385, 1870, 3547, 115094, 1953],
        [63761, 100.0, 363112, 3578, 3350, 116219, 1954],
        [66019, 101.2, 397469, 2904, 3048, 117388, 1955],
        [67857, 104.6, 419180, 2822, 2857, 118734, 1956],
        [68169, 108.4, 442769, 2936, 2798, 120445, 1957],
        [66513, 110.8, 444546, 4681, 2637, 121950, 1958],
        [68655, 112.6, 482704, 3813, 2552, 123366, 1959],
        [69564, 114.2, 502601, 3931, 2514, 125368, 1960],
        [69331, 115.7, 518173, 4806, 2572, 127852, 1961],
        [70551, 116.9, 554894, 4007, 2827, 130081, 1962],
    ]
)
LONGLEY_CERTIFIED = np.array(
    [
        [-3482258.63459582, 890420.383607373],
        [15.0618722713733, 84.9149257747669],
        [-0.358191792925910e-01, 0.334910077722432e-01],
        [-2.02022980381683, 0.488399681651699],
        [-1.03322686717359, 0.214274163161675],
        [-0.511041056535807e-01, 0.226073200069370],
        [1829.15146461355, 455.478499142212],
    ]
)


def test_linear_fit_keeps_its_digits_on_nist_longley() -> None:
    fit = solve_weighted(np.column_stack([np.ones(16), LONGLEY[:, 1:]]), LONGLEY[:, 0])
    np.testing.assert_allclose(fit.coefficients, LONGLEY_CERTIFIED[:, 0], rtol=1e-9)
    np.testing.assert_allclose(fit.sigma, LONGLEY_CERTIFIED[:, 1], rtol=1e-9)
    assert fit.chi2 == pytest.approx(836424.055505915, rel=1e-11)


def test_robust_fit_gives_the_published_huber_fit_of_the_stack_loss_data() -> None:
    # Data: Brownlee (1965), 21 days. Values: documentation of statsmodels' RLM with HuberT, MAD scale and
    # Huber's first covariance (parameters and standard errors for air, water, acid, constant).
    air = [80, 80, 75, 62, 62, 62, 62, 62, 58, 58, 58, 58, 58, 58, 50, 50, 50, 50, 50, 56, 70]
    water = [27, 27, 25, 24, 22, 23, 24, 24, 23, 18, 18, 17, 18, 19, 18, 18, 19, 19, 20, 20, 20]
    acid = [89, 88, 90, 87, 87, 87, 93, 93, 87, 80, 89, 88, 82, 93, 89, 86, 72, 79, 80, 82, 91]
    loss = [42, 37, 37, 28, 18, 18, 19, 20, 15, 14, 14, 13, 11, 12, 8, 7, 8, 8, 9, 15, 15]
    design = np.column_stack([air, water, acid, np.ones(21)]).astype(float)
    fit = solve_robust(design, np.array(loss, dtype=float), loss="huber")
    np.testing.assert_allclose(
        fit.solution.coefficients, [0.82938433, 0.92606597, -0.12784672, -41.02649835], rtol=2e-6
    )
    np.testing.assert_allclose(
        fit.solution.sigma, [0.11100521, 0.30293016, 0.12864961, 9.79189854], rtol=2e-4
    )


# Gander, Golub and Strebel (1994), BIT 34:558: points, and the fits recomputed to seven digits (the paper
# prints five, which agree).
GANDER = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7), (6, 2), (8, 4)], dtype=float)


def test_algebraic_circle_is_the_published_one() -> None:
    centre, radius = algebraic_ball(GANDER[:6])
    np.testing.assert_allclose([*centre, radius], [5.379413, 7.253198, 3.037041], atol=1e-6)


def test_geometric_circle_is_the_published_one() -> None:
    circle = fit_circle(GANDER[:6])
    np.testing.assert_allclose([*circle.centre, circle.radius], [4.739782, 2.983533, 4.714226], atol=1e-6)
    assert np.sqrt(circle.chi2) == pytest.approx(1.107971, abs=1e-6)


def test_geometric_ellipse_is_the_published_one() -> None:
    ellipse = fit_ellipse(GANDER)
    np.testing.assert_allclose(
        [*ellipse.centre, *ellipse.semi_axes, ellipse.angle_rad],
        [2.699612, 3.815957, 6.518722, 3.031886, 0.359624],
        atol=1e-6,
    )
    assert np.sqrt(ellipse.chi2) == pytest.approx(1.171881, abs=1e-6)
