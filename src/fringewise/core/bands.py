"""Work spread over bands of rows, on as many threads as numba is set to use.

Threads round plain kernels do as well as numba's own parallel loops, which take seconds more to compile and
need a threading layer.
"""

from __future__ import annotations

import contextlib
import functools
import itertools
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Final, TypeVar

Result = TypeVar("Result")

BANDS_PER_THREAD: Final = 4
"""More than one, so that a thread that the system holds up leaves its share to the others."""


def in_bands(height: int, work: Callable[[int, int], Result]) -> list[Result]:
    """Call ``work(first, end)`` for bands of rows that cover 0 … `height`, several at the same time.

    `work` must let go of the interpreter's lock (as kernels do) and write to its own rows only. Gives what it
    gave, in no order.

    Examples
    --------
    >>> sum(in_bands(10, lambda first, end: end - first))
    10
    """
    from numba import get_num_threads  # noqa: PLC0415 - numba takes 0.25 s to import

    threads = min(int(get_num_threads()), height)
    if threads <= 1:
        return [work(0, height)]
    bands = min(BANDS_PER_THREAD * threads, height)
    edges = [height * n // bands for n in range(bands + 1)]
    waiting = deque(itertools.pairwise(edges))

    def take() -> list[Result]:
        return [work(*band) for band in _taken(waiting)]

    others = [_helpers(threads).submit(take) for _ in range(threads - 1)]
    return [*take(), *itertools.chain.from_iterable(other.result() for other in others)]


def _taken(waiting: deque[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    """Bands off the front for as long as there are any; several threads may take from one queue."""
    with contextlib.suppress(IndexError):
        while True:
            yield waiting.popleft()


@functools.cache
def _helpers(threads: int) -> ThreadPoolExecutor:
    """Threads beside the caller's own, kept: to start one takes as long as a tenth of the decoding."""
    return ThreadPoolExecutor(threads - 1, thread_name_prefix="fringewise-rows")
