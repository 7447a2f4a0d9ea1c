"""Every error that Fringewise raises, sorted by what the caller can do about it.

::

    FringewiseError
    ├── InputRefused        something handed in is wrong: mend it and try again; carries every problem found
    │   └── FormatUnknown   the document is of a kind or major version that this program does not read
    ├── NotMeasurable       the data don't carry an honest number: look again as the message says
    │   └── MarksAtFault    the marks are where nothing can be measured: mark again
    ├── NotAllowed          who asks may not do this, or not now: the message says who may, or when
    │   └── ChangedMeanwhile  somebody else was quicker: look again, then decide
    └── PlaceUnusable       a file or folder can't be read or written where it was asked for

Bad pixels are flags (`fringewise.core.flags`), never errors.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

MOST_PROBLEMS_SHOWN = 20


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong with what was handed in.

    Attributes
    ----------
    where : str
        File or argument, as the person named it.
    field : str
        Place inside it, such as ``fringe_sets[2].frames[1]``; empty for the whole.
    rule : str
        What must hold, and so what to do, in plain words.
    value : str
        What was met instead, shortened; empty where there is nothing to show.

    Examples
    --------
    >>> str(Problem("capture.json", "fringe_sets[0].fringes", "must be greater than 0", "-3"))
    'capture.json: fringe_sets[0].fringes: must be greater than 0 (found -3)'
    """

    where: str
    field: str
    rule: str
    value: str = ""

    def __str__(self) -> str:
        place = ": ".join(part for part in (self.where, self.field) if part)
        found = f" (found {_shortened(self.value)})" if self.value else ""
        return f"{place}: {self.rule}{found}" if place else f"{self.rule}{found}"


class FringewiseError(Exception):
    """Base class of all errors that Fringewise raises on purpose."""


class InputRefused(FringewiseError):
    """What was handed in breaks one or more rules; nothing was done with it.

    Attributes
    ----------
    problems : tuple of Problem
        Every problem found, in the order found; at least one.

    Examples
    --------
    >>> print(InputRefused([Problem("head.json", "camera.fx", "must be greater than 0", "-1")]))
    head.json: camera.fx: must be greater than 0 (found -1)
    """

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        if not self.problems:
            raise ValueError("InputRefused needs at least one problem")
        super().__init__("\n".join(problem_lines(self.problems)))


class FormatUnknown(InputRefused):
    """The document's ``format`` names a kind or a major version that this program does not read."""


class NotMeasurable(FringewiseError):
    """The data don't carry an honest number; the message says why and what to do."""


class MarksAtFault(NotMeasurable):
    """The marks lie where nothing can be measured, or make no outline; the message says which and why."""


class NotAllowed(FringewiseError):
    """Who asks may not do this, or not now; one line a reason."""


class ChangedMeanwhile(NotAllowed):
    """What was to be replaced has been changed by somebody else since it was seen; nothing was written."""


class PlaceUnusable(FringewiseError):
    """A file or folder can't be read or written; the message says which, why and what to do."""


def refuse(where: str, field: str, rule: str, value: object = "") -> InputRefused:
    """Make an `InputRefused` with a single problem (to be raised by the caller)."""
    return InputRefused([Problem(where, field, rule, str(value))])


def problem_lines(problems: Sequence[Problem]) -> list[str]:
    """Give one line a problem, at most 20, then a count of the rest."""
    lines = [str(problem) for problem in problems[:MOST_PROBLEMS_SHOWN]]
    rest = len(problems) - MOST_PROBLEMS_SHOWN
    return [*lines, f"and {rest} more problems"] if rest > 0 else lines


def _shortened(text: str, most: int = 80) -> str:
    one_line = " ".join(text.split())
    return one_line if len(one_line) <= most else one_line[: most - 1] + "…"
