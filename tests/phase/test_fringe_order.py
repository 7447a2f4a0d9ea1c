"""Which fringe a pixel sees: found right, doubted where it should be, whatever the ladder."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from phase.looks import NOISE, even, look_at, simple_head

from fringewise.capture import FringeSet, NoiseModel
from fringewise.core.flags import Flag, usable
from fringewise.phase import PhaseMap, decode
from fringewise.phase.kernels import wrong_fringe_probability

Array = npt.NDArray[np.float64]


def wrongs(found: PhaseMap, column: Array) -> int:
    """Usable pixels that are off by more than 7 standard deviations: another fringe."""
    off = np.abs(found.column - column) > 7 * found.column_sigma
    return int(np.count_nonzero(off & usable(found.flags)))


def sloping(shape: tuple[int, int], low: float = 0.02, high: float = 0.98) -> Array:
    return np.broadcast_to(np.linspace(low, high, shape[1]), shape)


def plane_columns(shape: tuple[int, int], standoff_mm: float) -> Array:
    """Columns that the simple head sees on a plane that is square to it."""
    x = (np.arange(shape[1]) - (shape[1] - 1) / 2) / 700
    return np.broadcast_to(0.72 * (x - 2.6 / standoff_mm) + 0.5, shape)


@pytest.mark.parametrize(
    ("sigma_turns", "published"),
    # P = 2 Q(0.5/σ) (check values 1.6; the rule as in Zuo et al. 2016, Opt. Lasers Eng. 85:84)
    [(0.12757, 8.88e-5), (0.25477, 0.04970), (0.5, 0.31731), (0.06416, 6.5e-15)],
)
def test_step_risk_is_the_published_probability(sigma_turns: float, published: float) -> None:
    assert wrong_fringe_probability(np.float32(sigma_turns**2)) == pytest.approx(published, rel=0.01)


@pytest.mark.parametrize(
    ("ratio", "published"),
    [(16, 8.88e-5), (32, 0.04970)],  # σ_φ = 0.05 rad (check values 1.6)
)
def test_jumps_are_as_frequent_as_published_and_as_stated(ratio: int, published: float) -> None:
    white = NoiseModel(read_dn=2.0, gain_dn_per_electron=0.0, bits=8)
    modulation = math.sqrt(2 / 4) * 2.0 / 0.05
    shape, rng = (900, 1200), np.random.default_rng(21)
    column = rng.uniform(0.1, 0.9, shape)
    plan = [FringeSet(1, even(4)), FringeSet(ratio, even(4))]
    found = decode(look_at(column, plan, rng, modulation=modulation, noise=white))
    jumps = np.mean(np.abs(found.column - column) > 0.5 / ratio)
    chance = math.sqrt(published / column.size)
    assert jumps == pytest.approx(published, abs=4 * chance + 0.02 * published)
    # each pixel states its own risk from its own measured modulation
    assert np.median(found.order_risk) == pytest.approx(published, rel=0.05)


def test_risky_pixels_are_flagged_and_the_rest_is_right() -> None:
    white = NoiseModel(read_dn=2.0, gain_dn_per_electron=0.0, bits=8)
    shape, rng = (600, 800), np.random.default_rng(22)
    column = rng.uniform(0.1, 0.9, shape)
    modulation = rng.uniform(15, 60, shape)
    plan = [FringeSet(1, even(3)), FringeSet(20, even(3))]
    found = decode(look_at(column, plan, rng, modulation=modulation, noise=white))
    doubtful = (found.flags & Flag.DOUBTFUL_ORDER) != 0
    assert 0.1 < doubtful.mean() < 0.9
    assert wrongs(found, column) <= 5
    assert np.count_nonzero(np.abs(found.column - column)[doubtful] > 0.5 / 20) > 1000


@pytest.mark.parametrize(
    "fringes",
    [(1, 7, 49), (49, 1, 7), (1,), (1, 16), (0.5, 8), (1, 7.3, 45.1), (9, 10), (59, 64, 70), (70, 59, 64)],
    ids=str,
)
@pytest.mark.parametrize("shifts", [3, 4, 5])
def test_ladder_finds_every_column(fringes: tuple[float, ...], shifts: int) -> None:
    rng = np.random.default_rng(23)
    column = plane_columns((90, 480), 17.0)
    found = decode(look_at(column, [FringeSet(f, even(shifts)) for f in fringes], rng))
    assert usable(found.flags).mean() > 0.999
    assert wrongs(found, column) == 0


def test_order_of_the_sets_changes_nothing() -> None:
    column = plane_columns((50, 300), 17.0)
    capture = look_at(column, [FringeSet(f, even(4)) for f in (1, 7, 49)], np.random.default_rng(24))
    turned = type(capture)(capture.captured_at, capture.head, (*capture.sets[1:], capture.sets[0]))
    one, other = decode(capture), decode(turned)
    for name in ("column", "column_sigma", "modulation", "mean", "flags", "order_risk"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))


def test_sets_across_rows_are_left_out() -> None:
    column = plane_columns((50, 300), 17.0)
    plan = [FringeSet(1, even(4)), FringeSet(7, even(4)), FringeSet(30, even(4), "rows")]
    capture = look_at(column, plan, np.random.default_rng(25))
    without = type(capture)(capture.captured_at, capture.head, capture.sets[:2])
    np.testing.assert_array_equal(decode(capture).column, decode(without).column)


def test_one_fringe_at_the_rim_is_settled_by_the_other_sets() -> None:
    # Noise carries the single fringe's phase over its end; the finer sets tell on which side of it c lies.
    shape = (400, 500)
    column = np.broadcast_to(np.linspace(0.002, 0.012, shape[1]), shape)
    found = decode(look_at(column, [FringeSet(f, even(4)) for f in (1, 7, 49)], np.random.default_rng(26)))
    assert np.all(np.abs(found.column - column) < 8 * found.column_sigma)


def test_rim_within_noise_is_flagged_where_the_range_can_not_tell() -> None:
    # A ray 45° to the right meets column 0 at 1.6 mm and column 1 at 8 mm; the middle ray never meets 1.
    column = np.zeros((40, 1401))
    wide = simple_head(column.shape, NOISE, (0.5, 100.0))
    plan = [FringeSet(f, even(4)) for f in (1, 7)]
    found = decode(look_at(column, plan, np.random.default_rng(27), head=wide))
    assert np.all(found.flags[:, 1390:] == Flag.RIM)
    assert not np.any(found.flags[:, :1100])
    assert np.abs(found.column[:, :1100]).max() < 0.01


def test_rim_is_settled_by_the_working_range() -> None:
    # Near by, the middle of the picture looks at the pattern's left edge, and never at its right one.
    shape = (60, 80)
    column = plane_columns(shape, 0.72 * 2.6 / 0.5)
    column = np.where(np.abs(column) < 0.0008, column, 0.0)
    capture = look_at(
        column,
        [FringeSet(f, even(4)) for f in (1, 7)],
        np.random.default_rng(28),
        head=simple_head(shape, NOISE, (3.0, 60.0)),
    )
    found = decode(capture)
    assert not np.any(found.flags & Flag.RIM)
    assert np.all(np.abs(found.column) < 0.01)


def test_many_coarse_fringes_are_told_by_the_working_range_or_doubted() -> None:
    shape = (90, 480)
    column = plane_columns(shape, 17.0)
    plan = [FringeSet(7, even(4)), FringeSet(49, even(4))]
    narrow = simple_head(shape, NOISE, (14.0, 21.0))  # less than a seventh of the pattern in depth
    told = decode(look_at(column, plan, np.random.default_rng(29), head=narrow))
    assert usable(told.flags).mean() > 0.999
    assert wrongs(told, column) == 0
    wide = simple_head(shape, NOISE, (4.0, 100.0))
    doubted = decode(look_at(column, plan, np.random.default_rng(29), head=wide))
    assert np.mean((doubted.flags & Flag.DOUBTFUL_ORDER) != 0) > 0.5
    assert wrongs(doubted, column) == 0


def test_sets_that_disagree_are_doubted() -> None:
    column = sloping((40, 400), 0.1, 0.9)
    plan = [FringeSet(1, even(4)), FringeSet(8, even(4))]
    capture = look_at(column, plan, np.random.default_rng(30))
    other = look_at(column + 0.47 / 8, plan, np.random.default_rng(31))
    mixed = type(capture)(capture.captured_at, capture.head, (capture.sets[0], other.sets[1]))
    assert np.mean((decode(mixed).flags & Flag.DOUBTFUL_ORDER) != 0) > 0.95


@given(
    ratios=st.lists(st.floats(1.5, 8.0), min_size=0, max_size=3),
    shifts=st.lists(st.integers(3, 6), min_size=4, max_size=4),
    turn=st.floats(0, 360),
    order=st.randoms(use_true_random=False),
    bits=st.sampled_from([8, 12, 16]),
    seed=st.integers(0, 2**32 - 1),
)
@settings(max_examples=60, deadline=None, derandomize=True)
def test_any_ladder_gives_the_column_it_was_made_from(
    ratios: list[float], shifts: list[int], turn: float, order: object, bits: int, seed: int
) -> None:
    fringes = np.cumprod([1.0, *ratios])
    plan = [
        FringeSet(f, tuple(math.radians(turn) + s for s in even(n)))
        for f, n in zip(fringes, shifts, strict=False)
    ]
    order.shuffle(plan)  # type: ignore[attr-defined]
    scale = 2.0 ** (bits - 8)
    noise = NoiseModel(1.2 * scale, 0.02 * scale, bits)
    column = plane_columns((12, 160), 17.0)
    rng = np.random.default_rng(seed)
    found = decode(look_at(column, plan, rng, mean=100 * scale, modulation=60 * scale, noise=noise))
    assert usable(found.flags).mean() > 0.98
    assert wrongs(found, column) == 0
