"""Rows are shared among threads: each once, whatever their number, and what goes wrong is told."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from numba import get_num_threads, set_num_threads

from fringewise.core.bands import in_bands


@pytest.fixture(params=[1, 2])
def threads(request: pytest.FixtureRequest) -> Iterator[int]:
    usual = get_num_threads()
    if request.param > usual:
        pytest.skip("one processor")
    set_num_threads(request.param)
    yield request.param
    set_num_threads(usual)


@pytest.mark.parametrize("height", [1, 2, 7, 720])
@pytest.mark.usefixtures("threads")
def test_every_row_is_worked_once(height: int) -> None:
    seen = np.zeros(height, dtype=int)

    def work(first: int, end: int) -> int:
        seen[first:end] += 1
        return end - first

    assert sum(in_bands(height, work)) == height
    assert np.all(seen == 1)


@pytest.mark.parametrize("bad_row", [0, 50, 99])
@pytest.mark.usefixtures("threads")
def test_what_goes_wrong_in_a_band_reaches_the_caller(bad_row: int) -> None:
    def work(first: int, end: int) -> None:
        if first <= bad_row < end:
            raise ValueError("row is bad")

    with pytest.raises(ValueError, match="row is bad"):
        in_bands(100, work)


def test_two_callers_at_once_each_get_their_own_rows() -> None:
    with ThreadPoolExecutor(2) as callers:
        jobs = [callers.submit(in_bands, 64, lambda first, end: end - first) for _ in range(50)]
        assert [sum(job.result()) for job in jobs] == [64] * 50
