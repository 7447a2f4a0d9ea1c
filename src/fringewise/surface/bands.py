"""Work spread over bands of rows, one thread each.

For kernels that take longer than some milliseconds: threads round a plain kernel do as well as numba's own
parallel loops, which take seconds more to compile.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numba


def in_bands(height: int, work: Callable[[int, int], None]) -> None:
    """Call ``work(first, end)`` for bands of rows that cover 0 … `height`, at the same time.

    `work` must let go of the interpreter's lock (as kernels do) and write to its own rows only.

    Examples
    --------
    >>> seen = []
    >>> in_bands(10, lambda first, end: seen.extend(range(first, end)))
    >>> sorted(seen) == list(range(10))
    True
    """
    threads = max(1, min(numba.get_num_threads(), height))
    edges = [height * n // threads for n in range(threads + 1)]
    if threads == 1:
        work(0, height)
        return
    with ThreadPoolExecutor(threads) as pool:
        for done in [pool.submit(work, *edges[n : n + 2]) for n in range(threads)]:
            done.result()
