"""What is wrong with a pixel is flagged, and what is not is left alone."""

from __future__ import annotations

import numpy as np
import pytest
from phase.looks import NOISE, TAKEN, even, exposed, look_at, simple_head, stacked

from fringewise.capture import Capture, FringeFrames, FringeSet, NoiseModel
from fringewise.core.errors import InputRefused
from fringewise.core.flags import Flag, usable
from fringewise.phase import decode

PLAN = [FringeSet(f, even(4)) for f in (1, 7, 49)]
COLUMN = np.broadcast_to(np.linspace(0.1, 0.9, 300), (60, 300))


def test_background_without_fringes_is_dark_and_has_no_column() -> None:
    modulation = np.where(np.arange(300) < 150, 60.0, 0.0)
    found = decode(
        look_at(COLUMN, PLAN, np.random.default_rng(51), mean=40 + modulation, modulation=modulation)
    )
    dark = np.broadcast_to(modulation == 0, COLUMN.shape)
    assert np.array_equal((found.flags & Flag.DARK) != 0, dark)
    assert np.array_equal(np.isnan(found.column), dark)
    assert np.array_equal(np.isnan(found.column_sigma), dark)
    assert np.all(usable(found.flags) == ~dark)


def test_nothing_is_invented_in_a_million_dark_pixels() -> None:
    column = np.zeros((1000, 1000))
    for shifts in (3, 4):
        plan = [FringeSet(f, even(shifts)) for f in (1, 7, 49)]
        found = decode(look_at(column, plan, np.random.default_rng(52), mean=6.0, modulation=0.0))
        assert not np.any(usable(found.flags))


@pytest.mark.parametrize("frame", range(12))
def test_one_saturated_frame_is_enough(frame: int) -> None:
    capture = look_at(COLUMN, PLAN, np.random.default_rng(53))
    sets = [one.frames.copy() for one in capture.sets]
    sets[frame // 4][frame % 4, 20, 30] = 255
    found = decode(
        Capture(TAKEN, capture.head, tuple(FringeFrames(p, f) for p, f in zip(PLAN, sets, strict=True)))
    )
    marked = (found.flags & Flag.SATURATED) != 0
    assert marked[20, 30]
    assert np.count_nonzero(marked) == 1


def test_twelve_bits_in_sixteen_saturate_at_4095() -> None:
    noise = NoiseModel(3.0, 0.1, 12)
    mean = np.where(np.arange(300) < 100, 3800.0, 2000.0)
    column = np.broadcast_to(0.5 + 0.0004 * np.arange(300), (60, 300))
    plan = [FringeSet(1, (0.0, 2.0, 4.0))]
    level = [mean + 900 * np.cos(2 * np.pi * column + shift) for shift in plan[0].shifts_rad]
    frames = stacked([exposed(one, np.random.default_rng(54), noise) for one in level])
    found = decode(Capture(TAKEN, simple_head((60, 300), noise), (FringeFrames(plan[0], frames),)))
    assert np.array_equal((found.flags & Flag.SATURATED) != 0, frames.max(axis=0) >= 4095)
    assert frames.max() == 4095


def test_a_disturbed_frame_is_noisy_phase_and_noise_is_not() -> None:
    capture = look_at(COLUMN, PLAN, np.random.default_rng(55))
    assert not np.any(decode(capture).flags & Flag.NOISY_PHASE)
    frames = capture.sets[2].frames.copy()
    frames[1, 10, 40:50] += 45
    capture = Capture(TAKEN, capture.head, (*capture.sets[:2], FringeFrames(PLAN[2], frames)))
    noisy = (decode(capture).flags & Flag.NOISY_PHASE) != 0
    assert np.all(noisy[10, 40:50])
    assert np.count_nonzero(noisy) == 10


@pytest.mark.parametrize("shifts", [4, 5, 8])
def test_a_mildly_bent_response_is_not_called_noise(shifts: int) -> None:
    plan = [FringeSet(f, even(shifts)) for f in (1, 7)]
    rng = np.random.default_rng(56)
    sets = []
    for one in plan:
        level = np.stack([110 + 90 * np.cos(2 * np.pi * one.fringes * COLUMN + s) for s in one.shifts_rad])
        sets.append(FringeFrames(one, exposed(110 * (level / 110) ** 1.1, rng)))
    found = decode(Capture(TAKEN, simple_head(COLUMN.shape), tuple(sets)))
    assert not np.any(found.flags & Flag.NOISY_PHASE)


def test_frames_that_are_not_in_one_piece_decode_alike() -> None:
    capture = look_at(COLUMN, PLAN, np.random.default_rng(57))
    spread = []
    for one in capture.sets:
        room = np.zeros((one.frames.shape[0], 60, 600), dtype=np.uint8)
        room[:, :, ::2] = one.frames
        spread.append(FringeFrames(one.fringe_set, room[:, :, ::2]))
    found = decode(Capture(TAKEN, capture.head, tuple(spread)))
    np.testing.assert_array_equal(found.column, decode(capture).column)


def test_odd_sizes_decode_alike_on_any_number_of_threads() -> None:
    from numba import get_num_threads, set_num_threads

    column = np.broadcast_to(np.linspace(0.1, 0.9, 257), (7, 257))
    capture = look_at(column, PLAN, np.random.default_rng(58))
    usual = get_num_threads()
    try:
        set_num_threads(1)
        alone = decode(capture)
    finally:
        set_num_threads(usual)
    np.testing.assert_array_equal(alone.column, decode(capture).column)
    np.testing.assert_array_equal(alone.flags, decode(capture).flags)


def test_a_capture_without_column_sets_is_refused() -> None:
    rows = FringeSet(7, even(4), "rows")
    capture = look_at(COLUMN, [rows], np.random.default_rng(59))
    with pytest.raises(InputRefused, match="across the columns"):
        decode(capture)


def test_noise_source_is_the_head_where_it_states_noise() -> None:
    assert decode(look_at(COLUMN, PLAN, np.random.default_rng(60), noise=NOISE)).noise_source == "head"
