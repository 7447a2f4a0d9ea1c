"""Long work says how far it is through a `Progress` that is handed in; pure rooms never print."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from datetime import datetime
from typing import Protocol, TypeVar

Item = TypeVar("Item")

Clock = Callable[[], datetime]
"""Gives the present time with its zone; handed in, so that results can be repeated."""


class Progress(Protocol):
    """Told how far long work has come.

    ``step(name, done, total)`` may be called from one thread only; ``total`` 0 means not known.
    """

    def step(self, name: str, done: int, total: int) -> None:
        """Say that `done` of `total` parts of the work called `name` are done."""


class Silent:
    """A `Progress` that shows nothing."""

    def step(self, name: str, done: int, total: int) -> None:
        """Show nothing."""


def steps(items: Iterable[Item], name: str, progress: Progress, total: int) -> Iterator[Item]:
    """Yield `items` while telling `progress` of each one done.

    Examples
    --------
    >>> list(steps("ab", "letters", Silent(), 2))
    ['a', 'b']
    """
    progress.step(name, 0, total)
    for done, item in enumerate(items, 1):
        yield item
        progress.step(name, done, total)
