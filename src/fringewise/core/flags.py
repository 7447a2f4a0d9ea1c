"""The one table of quality flags: what can be wrong with a pixel, in bits, words and consequences.

A pixel's flags are the sum of the bits that hold. A pixel is usable when none of its flags is one that
bars use. Everything else (documents, legends, help) is made from this table.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

FlagArray = npt.NDArray[np.uint16]


class Flag(enum.IntFlag):
    """Bits of a pixel's flags."""

    SATURATED = 1
    DARK = 2
    NOISY_PHASE = 4
    DOUBTFUL_ORDER = 8
    RIM = 16
    OUTSIDE_RANGE = 32
    MIXED = 64
    ISLAND = 128
    NO_SURFACE = 256
    MOVED = 512


@dataclass(frozen=True, slots=True)
class FlagMeaning:
    """What a flag says to a person, and whether the pixel may still be measured on."""

    flag: Flag
    name: str
    words: str
    bars_use: bool


FLAG_TABLE: Final[tuple[FlagMeaning, ...]] = (
    FlagMeaning(Flag.SATURATED, "saturated", "too bright: at least one frame is at the camera's limit", True),
    FlagMeaning(Flag.DARK, "dark", "too dark: the fringes are too weak here", True),
    FlagMeaning(
        Flag.NOISY_PHASE, "noisy_phase", "the frames disagree with each other beyond their noise", True
    ),
    FlagMeaning(Flag.DOUBTFUL_ORDER, "doubtful_order", "which fringe this is can't be told safely", True),
    FlagMeaning(Flag.RIM, "rim", "at the pattern's rim, where the coarsest fringes repeat", True),
    FlagMeaning(Flag.OUTSIDE_RANGE, "outside_range", "outside the head's working range", True),
    FlagMeaning(Flag.MIXED, "mixed", "the pixel sees two surfaces at once (an edge)", True),
    FlagMeaning(Flag.ISLAND, "island", "a small patch on its own, most likely a reflection", True),
    FlagMeaning(Flag.NO_SURFACE, "no_surface", "no surface was found here", True),
    FlagMeaning(Flag.MOVED, "moved", "the head or the part moved between the frames", False),
)

BARRING: Final[int] = int(sum(row.flag for row in FLAG_TABLE if row.bars_use))


def usable(flags: FlagArray) -> npt.NDArray[np.bool_]:
    """Say which pixels may be measured on.

    Examples
    --------
    >>> usable(np.array([0, Flag.MOVED, Flag.DARK], dtype=np.uint16)).tolist()
    [True, True, False]
    """
    free: npt.NDArray[np.bool_] = (flags & BARRING) == 0
    return free


def flags_in_words(value: int) -> list[str]:
    """Give the words for each flag that holds.

    Examples
    --------
    >>> flags_in_words(Flag.DARK)
    ['too dark: the fringes are too weak here']
    """
    return [row.words for row in FLAG_TABLE if value & row.flag]
