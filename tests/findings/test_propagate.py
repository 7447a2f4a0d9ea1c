"""Both routes against published worked examples, and against each other.

GUM = JCGM 100:2008; inputs and results of its examples as quoted by the tests of open-source uncertainty
packages. JCGM 101:2008: inputs as quoted there, outputs computed anew with millions of draws (marked "RC").
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fringewise.core.checks import Array
from fringewise.core.measured import Measured
from fringewise.findings.blocks import Block, Wanted
from fringewise.findings.draws import shortest_interval, tolerance
from fringewise.findings.propagate import Luck, propagate

SEED = 20261125
Inputs = tuple[Array, ...]


def rng() -> np.random.Generator:
    return np.random.default_rng(SEED)


def rectangular(low: float, high: float) -> Block:
    middle, half = (low + high) / 2, (high - low) / 2

    def draw(source: np.random.Generator, count: int) -> Array:
        return source.uniform(low, high, (count, 1))

    return Block("frame noise", np.array([middle]), np.array([[half / math.sqrt(3)]]), draw=draw)


def normal(value: float, sigma: float, degrees: float = math.inf) -> Block:
    return Block.independent("frame noise", [value], sigma, degrees)


def one(found: tuple[Measured, ...]) -> Measured:
    assert len(found) == 1
    return found[0]


def end_gauge(values: Inputs) -> Array:
    """Length in nm of the gauge of GUM H.1 (and JCGM 101, 9.5): standard, difference, expansion."""
    standard, difference, more, other, expansion, by_expansion, by_degree, degree = (v[:, 0] for v in values)
    length = standard + difference + more + other
    length = length - standard * (by_expansion * degree + expansion * by_degree)
    return np.asarray(length[:, None])


def gauge_blocks(*, drawn: bool) -> list[Block]:
    """Inputs of GUM H.1; `drawn` gives the distributions of JCGM 101, 9.5.2 (table 10) instead."""

    def curvilinear(half: float, doubt: float) -> Block:
        def draw(source: np.random.Generator, count: int) -> Array:
            ends = half + source.uniform(-doubt, doubt, count)
            return (ends * source.uniform(-1, 1, count))[:, None]

        return Block("frame noise", np.zeros(1), np.array([[half / math.sqrt(3)]]), draw=draw)

    def degrees(source: np.random.Generator, count: int) -> Array:
        swing = 0.5 * np.sin(2 * np.pi * source.uniform(size=count))
        return (-0.1 + source.normal(0, 0.2, count) + swing)[:, None]

    degree_factor = np.array([[math.sqrt(0.2**2 + 0.5**2 / 2)]])
    degree = Block("marks", np.array([-0.1]), degree_factor, draw=degrees if drawn else None)
    if drawn:
        last = [curvilinear(1e-6, 0.1e-6), curvilinear(0.05, 0.025)]
    else:
        last = [normal(0.0, 1e-6 / math.sqrt(3), 50.0), normal(0.0, 0.05 / math.sqrt(3), 2.0)]
    read = [normal(215.0, 5.8, 24.0), normal(0.0, 3.9, 5.0), normal(0.0, 6.7, 8.0)]
    return [normal(50_000_623.0, 25.0, 18.0), *read, rectangular(9.5e-6, 13.5e-6), *last, degree]


def test_end_gauge_of_the_gum_comes_out_as_printed() -> None:
    # GUM H.1: l = 50.000 838 mm, u = 32 nm, 16 effective degrees, U99 = 93 nm with t99 = 2.92
    blocks = gauge_blocks(drawn=False)
    found = one(propagate(end_gauge, blocks, [Wanted("length", "nm")], rng=rng(), many=True, draws=0))
    assert found.value == pytest.approx(50_000_838.0, abs=0.5)
    assert found.standard_uncertainty == pytest.approx(31.664, abs=0.02)
    assert found.degrees_of_freedom == pytest.approx(16.75, abs=0.1)
    assert found.part("marks") == pytest.approx(0.0, abs=0.5)


def test_end_gauge_of_jcgm_101_is_reported_as_drawn() -> None:
    # JCGM 101, 9.5: 838 nm, u = 36 nm where the linear route gives 32 nm, 99 % within 745 … 932 nm;
    # RC with 4 million draws: 838.0, 35.83, shortest 99 % interval 745.3 … 932.7
    blocks = gauge_blocks(drawn=True)
    wanted = [Wanted("length", "nm")]
    found = one(propagate(end_gauge, blocks, wanted, rng=rng(), many=True, draws=400_000))
    assert found.interval is not None
    assert found.value == pytest.approx(50_000_838.0, abs=0.5)
    assert found.standard_uncertainty == pytest.approx(35.83, abs=0.3)
    source = rng()
    drawn = end_gauge(tuple(block.draws(source, 400_000) for block in blocks))[:, 0] - 50_000_000
    assert shortest_interval(drawn, 0.99) == pytest.approx((745.3, 932.7), abs=2.0)


def test_impedance_of_the_gum_comes_out_as_printed() -> None:
    # GUM H.2: five simultaneous readings of V, I (mA) and phase; R 127.732, X 219.847, Z 254.260 ohm with
    # u = 0.071, 0.295, 0.236; recomputed 127.7322/0.07107, 219.8465/0.29558, 254.2597/0.23634
    volt = [5.007, 4.994, 5.005, 4.990, 4.999]
    ampere = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1000
    phase = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]
    readings = np.array([volt, ampere, phase])
    block = Block.of_covariance("frame noise", readings.mean(axis=1), np.cov(readings) / 5)

    def ohms(values: Inputs) -> Array:
        v, i, p = values[0].T
        return np.column_stack([v / i * np.cos(p), v / i * np.sin(p), v / i])

    wanted = [Wanted(name, "Ω") for name in ("resistance", "reactance", "impedance")]
    found = propagate(ohms, [block], wanted, rng=rng(), many=True)
    assert [q.value for q in found] == pytest.approx([127.7322, 219.8465, 254.2597], abs=1e-4)
    assert [q.standard_uncertainty for q in found] == pytest.approx([0.07107, 0.29558, 0.23634], rel=2e-4)
    assert all(q.interval is None for q in found)  # the linear route holds


def test_thermometer_line_of_the_gum_comes_out_as_printed() -> None:
    # GUM H.3: b(30 °C) = -0.1494 °C, u = 0.0041 °C with 9 degrees of freedom
    warm = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    low = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    design = np.column_stack([np.ones(11), np.array(warm) - 20])
    line, square, *_ = np.linalg.lstsq(design, np.array(low), rcond=None)
    covariance = np.linalg.inv(design.T @ design) * square / 9
    block = Block.of_covariance("frame noise", line, covariance, degrees_of_freedom=9)

    def at_30(values: Inputs) -> Array:
        return np.asarray(values[0][:, :1] + 10 * values[0][:, 1:])

    found = one(propagate(at_30, [block], [Wanted("correction", "°C")], rng=rng(), many=True, draws=0))
    assert found.value == pytest.approx(-0.149377, abs=1e-6)
    assert found.standard_uncertainty == pytest.approx(0.0041386, abs=1e-6)
    assert found.degrees_of_freedom == pytest.approx(9)
    # GUM table G.2: 2.32
    assert found.coverage_factor == pytest.approx(2.3198, abs=1e-3)


def test_ten_days_of_a_voltage_standard_come_out_as_printed() -> None:
    # GUM H.5: ten days' means of a Zener standard, 10.000 097 V; u(mean) = 57.09 µV / √10 = 18.05 µV
    last_digits = np.array([172, 116, 13, 144, 106, 31, 60, 125, 163, 41])
    spread = float(np.std(last_digits, ddof=1))
    block = Block.independent("frame noise", last_digits, spread, 9.0)

    def mean(values: Inputs) -> Array:
        return np.asarray(values[0].mean(axis=1, keepdims=True))

    found = one(propagate(mean, [block], [Wanted("voltage", "µV")], rng=rng(), many=True, draws=0))
    assert found.value == pytest.approx(97.1, abs=0.01)
    assert found.standard_uncertainty == pytest.approx(18.05, abs=0.01)


def total(values: Inputs) -> Array:
    return sum((v[:, :1] for v in values), np.zeros((len(values[0]), 1)))


@pytest.mark.parametrize(
    ("blocks", "half", "u"),
    [
        ([normal(0, 1)] * 4, 3.92, 2.0),  # 9.2.2
        ([rectangular(-math.sqrt(3), math.sqrt(3))] * 4, 3.8794, 2.0),  # 9.2.3, exact
        # 9.2.4: the linear route would give 19.9
        (
            [rectangular(-math.sqrt(3), math.sqrt(3))] * 3
            + [rectangular(-10 * math.sqrt(3), 10 * math.sqrt(3))],
            17.01,
            10.149,
        ),
    ],
)
def test_sums_of_jcgm_101(blocks: list[Block], half: float, u: float) -> None:
    found = one(propagate(total, blocks, [Wanted("sum", "mm")], rng=rng(), many=True, draws=400_000))
    low, high = found.interval_95
    assert (high - low) / 2 == pytest.approx(half, rel=0.005)
    assert found.standard_uncertainty == pytest.approx(u, rel=0.005)


def test_mass_of_jcgm_101_is_wider_than_the_linear_route_says() -> None:
    # JCGM 101, 9.3 (mg): linear 1.2340, u = 0.0539; drawn 1.2340, u = 0.0754 (RC), interval 0.299 wide
    blocks = [
        normal(100_000, 0.050),
        normal(1.234, 0.020),
        rectangular(1.10, 1.30),
        rectangular(7000, 9000),
        rectangular(7950, 8050),
    ]

    def mass(values: Inputs) -> Array:
        m, more, air, weight, reference = (v[:, :1] for v in values)
        return (m + more) * (1 + (air - 1.2) * (1 / weight - 1 / reference)) - 100_000

    wanted = [Wanted("mass", "mg")]
    linear = one(propagate(mass, blocks, wanted, rng=rng(), many=True, draws=0, step=0.01))
    drawn = one(propagate(mass, blocks, wanted, rng=rng(), many=True, draws=400_000))
    assert linear.standard_uncertainty == pytest.approx(0.05385, abs=1e-4)
    assert drawn.value == pytest.approx(1.2340, abs=3e-4)
    assert drawn.standard_uncertainty == pytest.approx(0.07545, abs=5e-4)
    assert drawn.interval_95[1] - drawn.interval_95[0] == pytest.approx(0.299, abs=0.002)


@pytest.mark.parametrize(
    ("first", "correlation", "mean", "u", "interval"),
    [  # JCGM 101, 9.4, unit 1e-6: exact (noncentral chi-square), and RC for the correlated case
        (0.0, 0.0, 50.0, 50.0, (0.0, 149.8)),
        (0.010, 0.0, 150.0, 111.8, (0.0, 366.0)),
        (0.050, 0.0, 2550.0, 502.5, (1593.6, 3548.6)),
        (0.0, 0.9, 50.0, 67.3, (0.0, 185.0)),
        (0.010, 0.9, 150.0, 120.6, (13.0, 398.0)),
        (0.050, 0.9, 2550.0, 504.0, (1622.0, 3550.0)),
    ],
)
def test_squares_of_jcgm_101(
    first: float, correlation: float, mean: float, u: float, interval: tuple[float, float]
) -> None:
    covariance = 0.005**2 * np.array([[1, correlation], [correlation, 1]])
    block = Block.of_covariance("frame noise", np.array([first, 0.0]), covariance)

    def squares(values: Inputs) -> Array:
        return np.asarray(1e6 * np.sum(values[0] ** 2, axis=1, keepdims=True))

    found = one(propagate(squares, [block], [Wanted("square", "mm²")], rng=rng(), many=True, draws=400_000))
    assert found.value == pytest.approx(mean, rel=0.005)
    assert found.standard_uncertainty == pytest.approx(u, rel=0.01)
    assert found.interval_95 == pytest.approx(interval, abs=max(4.0, 0.035 * u))


def test_both_routes_agree_where_the_size_is_nearly_straight() -> None:
    sides = Block.independent("frame noise", [3.0, 4.0, 12.0], [0.01, 0.02, 0.005])

    def diagonal(values: Inputs) -> Array:
        return np.asarray(np.linalg.norm(values[0], axis=1, keepdims=True))

    found = one(propagate(diagonal, [sides], [Wanted("diagonal", "mm")], rng=rng(), many=True))
    assert found.value == pytest.approx(13.0, abs=1e-12)
    assert found.interval is None
    assert found.standard_uncertainty == pytest.approx(math.hypot(0.03, 0.08, 0.06) / 13, rel=1e-4)


def test_one_by_one_and_many_at_once_give_the_same_numbers() -> None:
    sides = [Block.independent("frame noise", [1.0, 0.5], 0.3), normal(2.0, 0.4)]

    def many(values: Inputs) -> Array:
        return np.asarray((values[0] ** 2).sum(axis=1, keepdims=True) * values[1])

    def single(values: Inputs) -> Array:
        return np.asarray((values[0] ** 2).sum(keepdims=True) * values[1])

    wanted = [Wanted("size", "mm³")]
    assert propagate(many, sides, wanted, rng=rng(), many=True) == propagate(single, sides, wanted, rng=rng())


@pytest.mark.parametrize("luck", ["kept", "taken off"])
def test_luck_taken_off_gives_back_the_truth_and_covers_it(luck: Luck) -> None:
    # a length through noise: root of (2² + nine squares of noise 0.5), truth 2; longer on average by 0.5
    source, covered, errors = np.random.default_rng(SEED), 0, []

    def length(values: Inputs) -> Array:
        return np.asarray(np.linalg.norm(values[0], axis=1, keepdims=True))

    for _ in range(200):
        seen = np.r_[2.0, np.zeros(9)] + source.normal(0, 0.3, 10)
        block = Block.independent("frame noise", seen, 0.3)
        wanted = [Wanted("length", "mm", least=0.0)]
        found = one(propagate(length, [block], wanted, rng=source, many=True, draws=2_000, luck=luck))
        errors.append(found.value - 2.0)
        covered += found.interval_95[0] <= 2.0 <= found.interval_95[1]
    if luck == "taken off":
        assert abs(np.mean(errors)) < 0.05
        assert covered >= 0.92 * 200
    else:
        assert np.mean(errors) > 0.3


def test_budget_of_the_drawn_route_adds_up() -> None:
    blocks = [normal(0.0, 0.3), Block.independent("marks", [0.1], 0.2)]

    def square(values: Inputs) -> Array:
        return values[0] ** 2 + values[1] ** 2

    found = one(propagate(square, blocks, [Wanted("square", "mm²", least=0.0)], rng=rng(), many=True))
    assert found.interval is not None
    assert found.part("frame noise") > found.part("marks") > 0
    squares = math.fsum(line.standard_uncertainty**2 for line in found.budget)
    assert squares == pytest.approx(found.standard_uncertainty**2, rel=1e-12)
    assert dict(found.quantiles).keys() == {0.05, 0.95}
    assert found.interval_95[0] >= 0


def test_a_size_that_most_draws_lose_is_left_out() -> None:
    block = Block.independent("frame noise", [1.0], 1.0)

    def root(values: Inputs) -> Array:
        with np.errstate(invalid="ignore"):
            return np.column_stack([np.sqrt(values[0][:, 0]), values[0][:, 0]])

    wanted = [Wanted("root", "mm"), Wanted("itself", "mm")]
    assert [q.name for q in propagate(root, [block], wanted, rng=rng(), many=True)] == ["itself"]


def test_two_degrees_of_freedom_are_not_drawn_from() -> None:
    with pytest.raises(ValueError, match="its own draw"):
        propagate(total, [normal(0, 1, 2.0)], [Wanted("sum", "mm")], rng=rng(), many=True)


def test_tolerance_is_half_a_unit_of_the_last_digit() -> None:
    # JCGM 101, 7.9.2, examples 1 and 2: u = 0.0035 with two digits, δ = 0.00005; u = 2 with one, δ = 0.5
    assert tolerance(0.0035, 2) == pytest.approx(0.00005)
    assert tolerance(2.0, 1) == pytest.approx(0.5)


@given(st.lists(st.floats(-100, 100), min_size=50, max_size=200))
@settings(max_examples=40, deadline=None)
def test_shortest_interval_is_no_longer_than_the_one_with_equal_tails(values: list[float]) -> None:
    sizes = np.array(values)
    low, high = shortest_interval(sizes, 0.9)
    held = np.mean((sizes >= low) & (sizes <= high))
    count = len(sizes)
    ordered = np.sort(sizes)
    start = (count - math.floor(0.9 * count + 0.5)) // 2
    assert held >= 0.9 - 1 / count
    assert (
        high - low <= ordered[min(start + math.floor(0.9 * count + 0.5), count - 1)] - ordered[start] + 1e-12
    )
