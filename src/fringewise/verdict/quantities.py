"""What each kind of finding is measured by (format 3), and on which side a quantity is worse."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from fringewise.core.units import MM_PER_INCH

Worse = Literal["more", "less", "either"]


@dataclass(frozen=True, slots=True)
class QuantityRule:
    """A quantity that a kind can have.

    Attributes
    ----------
    dimension : int
        1 a length, 2 an area, 3 a volume, 0 a ratio or an angle.
    worse : {"more", "less", "either"}
        On which side it is worse.
    words : str
        As it is spoken.
    """

    dimension: int
    worse: Worse
    words: str

    def unit(self, length_unit: str = "mm") -> str:
        """Give the quantity's unit in a table of lengths in mm or inches."""
        if self.dimension == 0:
            return ""
        return length_unit + {1: "", 2: "²", 3: "³"}[self.dimension]

    def in_millimetres(self, value: float, length_unit: str) -> float:
        """Turn a value of a table in mm or inches into mm, mm² or mm³."""
        return value * MM_PER_INCH**self.dimension if length_unit == "in" else value


_DEPTH: Final = QuantityRule(1, "more", "depth")
_LENGTH: Final = QuantityRule(1, "more", "length")
_WIDTH: Final = QuantityRule(1, "more", "width")
_RAISED: Final = QuantityRule(1, "more", "height of raised metal")
_AREA: Final = QuantityRule(2, "more", "area")
_LOST: Final = QuantityRule(2, "more", "lost area")
_END_TO_END: Final = QuantityRule(1, "more", "straight length from end to end")


def _either(words: str) -> QuantityRule:
    return QuantityRule(1, "either", words)


QUANTITIES: Final[Mapping[str, Mapping[str, QuantityRule]]] = {
    "dent": {
        "depth": _DEPTH,
        "length": _LENGTH,
        "width": _WIDTH,
        "area": _AREA,
        "volume": QuantityRule(3, "more", "volume"),
        "raised": _RAISED,
    },
    "gouge": {"depth": _DEPTH, "length": _LENGTH, "raised": _RAISED},
    "crack": {"length": _LENGTH, "end_to_end": _END_TO_END},
    "edge_nick": {"depth": _DEPTH, "length": _LENGTH, "lost_area": _LOST, "raised": _RAISED},
    "edge_bend": {
        "displacement": QuantityRule(1, "more", "displacement"),
        "out_of_plane": QuantityRule(1, "more", "displacement out of the surface"),
        "length": _LENGTH,
    },
    "corner_loss": {
        "lost_area": _LOST,
        "loss_first_edge": QuantityRule(1, "more", "loss along the first edge"),
        "loss_second_edge": QuantityRule(1, "more", "loss along the second edge"),
    },
    "tip_loss": {"lost_area": _LOST, "loss_greatest": QuantityRule(1, "more", "greatest loss")},
    "blend": {
        "depth": _DEPTH,
        "length": _either("length"),
        "radius_least": QuantityRule(1, "less", "least radius"),
        "length_to_depth": QuantityRule(0, "less", "length to depth"),
        "lost_area": _LOST,
    },
    "area": {
        "area": _AREA,
        "perimeter": QuantityRule(1, "more", "perimeter"),
        "length": _LENGTH,
        "width": _WIDTH,
    },
    "hole": {
        "area": _AREA,
        "equivalent_diameter": QuantityRule(1, "either", "equivalent diameter"),
        "length": _LENGTH,
        "width": _WIDTH,
    },
    "path": {"length": _either("length"), "end_to_end": _either("straight length from end to end")},
    "distance": {
        "straight": _either("straight distance"),
        "along_surface": _either("distance along the surface"),
    },
    "offset": {"offset": _either("offset")},
    "step": {"step": _either("step"), "tilt_deg": QuantityRule(0, "either", "tilt")},
    "clearance": {"gap_least": _either("least gap"), "gap_mean": _either("mean gap")},
    "flat": {
        "flatness": QuantityRule(1, "more", "flatness"),
        "rms": QuantityRule(1, "more", "scatter about the plane"),
    },
    "sphere": {"diameter": _either("diameter"), "form": QuantityRule(1, "more", "form")},
    "observation": {},
    "object": {"straight": QuantityRule(1, "more", "straight size")},
}
"""The quantities of each kind of format 3."""

CRACKED_KINDS: Final = frozenset({"crack"})
"""Kinds whose visible length may not be all of it."""


MEASURES: Final = frozenset({"distance", "offset", "step", "clearance", "flat", "sphere", "path"})
"""Kinds that measure something without being damage: a book's "any" does not mean them."""


def covers(kind: str, other: str) -> bool:
    """Say whether an entry for a kind, or for "any" damage, speaks of another kind.

    Examples
    --------
    >>> covers("any", "dent"), covers("any", "clearance"), covers("dent", "dent")
    (True, False, True)
    """
    return kind == other or (kind == "any" and other not in MEASURES)


def kind_words(kind: str) -> str:
    """Give a kind as it is spoken, with its article.

    Examples
    --------
    >>> kind_words("edge_nick"), kind_words("dent"), kind_words("any")
    ('an edge nick', 'a dent', 'any damage')
    """
    if kind == "any":
        return "any damage"
    spoken = kind.replace("_", " ")
    return f"{'an' if spoken[0] in 'aeiou' else 'a'} {spoken}"


def kinds_words(kind: str) -> str:
    """Give a kind as several of it are spoken of.

    Examples
    --------
    >>> kinds_words("edge_nick"), kinds_words("tip_loss"), kinds_words("any")
    ('edge nicks', 'tip losses', 'damages')
    """
    if kind == "any":
        return "damages"
    spoken = kind.replace("_", " ")
    return f"{spoken}es" if spoken.endswith("s") else f"{spoken}s"


def quantity_rule(kind: str, quantity: str) -> QuantityRule:
    """Give a kind's quantity; KeyError where the kind has no such quantity."""
    return QUANTITIES[kind][quantity]
