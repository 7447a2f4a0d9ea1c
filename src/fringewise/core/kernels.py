"""The one way to make a numba kernel: compiled once, kept where that is possible, typed as it was written.

A kernel calls only kernels of its own file (numba does not notice when another file changes). Modules with
kernels are imported late: importing numba takes a quarter of a second. None is parallel in itself: work is
spread over threads by `fringewise.core.bands`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, ParamSpec, TypeVar, cast

import numba

Arguments = ParamSpec("Arguments")
Result = TypeVar("Result")


def kernel(
    *, fastmath: bool | frozenset[str] = False, inline: bool = False
) -> Callable[[Callable[Arguments, Result]], Callable[Arguments, Result]]:
    """Compile a function to machine code at its first call and keep the code for the next process.

    Where no place for the code can be written (a read-only installation without a writable home) the kernel
    is compiled anew in each process instead.

    Parameters
    ----------
    fastmath : bool or set of str
        Let the compiler reorder floating-point sums; with True, NaN must be told by flags, not by comparison
        or writing. A set names single liberties (``contract``, ``reassoc`` …), which leaves NaN usable.
    inline : bool
        Always inline into kernels of the same file.
    """

    def compiled(function: Callable[Arguments, Result]) -> Callable[Arguments, Result]:
        options: dict[str, Any] = {
            "nogil": True,
            "fastmath": set(fastmath) if isinstance(fastmath, frozenset) else fastmath,
            "inline": "always" if inline else "never",
            "error_model": "numpy",
        }
        try:
            return cast("Callable[Arguments, Result]", numba.njit(function, cache=True, **options))
        except RuntimeError:  # "no locator available": nowhere to keep compiled code
            return cast("Callable[Arguments, Result]", numba.njit(function, cache=False, **options))

    return compiled
