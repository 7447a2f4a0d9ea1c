"""The entries of a limits book while it is checked, and what was found wrong with them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from fringewise.core.documents import Part
from fringewise.verdict.book import is_any, plain_words
from fringewise.verdict.documents import CountDocument, NeverDocument, RuleDocument, ZoneDocument

Kind_co = TypeVar("Kind_co", bound=Part, covariant=True)

AnyEntry = RuleDocument | CountDocument | NeverDocument


@dataclass(frozen=True, slots=True)
class Entry(Generic[Kind_co]):
    """One entry of the book and where it stands, such as ``rule[3]``."""

    place: str
    document: Kind_co


@dataclass(frozen=True, slots=True)
class Draft:
    """The entries that are sound by themselves."""

    zones: Sequence[Entry[ZoneDocument]] = ()
    rules: Sequence[Entry[RuleDocument]] = ()
    counts: Sequence[Entry[CountDocument]] = ()
    nevers: Sequence[Entry[NeverDocument]] = ()

    @property
    def with_ids(self) -> tuple[Entry[AnyEntry], ...]:
        """Rules, counts and what is never allowed."""
        return (*self.rules, *self.counts, *self.nevers)


@dataclass(frozen=True, slots=True)
class Fault:
    """Something wrong with the book: where, the rule that is broken, what to do, and what was met."""

    field: str
    rule: str
    remedy: str
    value: str = ""


def place_of(entry: AnyEntry) -> tuple[str, str]:
    """Give an entry's part and zone in plain words; the zone is "any" where it is all of the part."""
    zone = "any" if entry.zone is None or is_any(entry.zone) else plain_words(entry.zone)
    return plain_words(entry.part), zone
