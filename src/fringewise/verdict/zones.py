"""Which zones a finding may lie in: the technician's word, held against what was measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fringewise.core.units import MM_PER_INCH
from fringewise.verdict.book import REACHES, LimitsBook, is_any, plain_words, same_words
from fringewise.verdict.documents import ZoneDocument
from fringewise.verdict.sizes import Size, tolerance

JOINT = " / "
"""Between the names of zones on whose boundary a damage lies, as a technician writes it."""


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a finding may lie.

    Attributes
    ----------
    zones : frozenset of str, optional
        In plain words; None where any zone of the part is possible.
    sure : bool
        Whether it lies in one known zone.
    said : tuple of str
        What is to be told: a contradiction, a boundary.
    doubts : tuple of str
        What bars an unqualified outcome.
    """

    zones: frozenset[str] | None = None
    sure: bool = False
    said: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()

    def may_lie_in(self, zone: str | None) -> bool:
        """Say whether it may lie in an entry's zone."""
        if is_any(zone):
            return True
        return self.zones is None or plain_words(zone or "") in self.zones

    def surely_in(self, zone: str | None) -> bool:
        """Say whether it lies in an entry's zone and nowhere else."""
        return is_any(zone) or (self.sure and self.may_lie_in(zone))


def place(book: LimitsBook, part: str, word: str, measured: Mapping[str, Sequence[Size]]) -> Placement:
    """Give the zones in which a finding may lie; the strictest of their rules applies.

    Parameters
    ----------
    book : LimitsBook
    part : str
    word : str
        The zone as the technician named it, or several joined by " / " on their boundary; empty where none.
    measured : mapping of str to sequence of Size
        Distances of the damage in mm by ``from_leading_edge``, ``from_tip``, …, where they are in view.
    """
    known = book.zone_names(part)
    if not known:
        return Placement(frozenset(), sure=True)
    if not word:
        return Placement(doubts=("the zone is not stated: the rules of all zones apply",))
    named = _named(word, known)
    if named is None:
        words = f'the limits book knows no zone "{word}" of this part: the rules of all its zones apply'
        return Placement(said=(f"Zones of the book: {', '.join(known)}.",), doubts=(words,))
    return _checked(book, part, named, measured)


def _named(word: str, known: Sequence[str]) -> list[str] | None:
    """Give the zones that a word names, as the book spells them; None where one is not known."""
    for pieces in ([word], word.split(JOINT)):
        found = [next((one for one in known if same_words(one, piece)), None) for piece in pieces]
        if all(found):
            return [one for one in found if one]
    return None


def _checked(
    book: LimitsBook, part: str, named: list[str], measured: Mapping[str, Sequence[Size]]
) -> Placement:
    """Hold the named zones against distances: add the zones that a boundary or a contradiction lets in."""
    zones = {plain_words(one) for one in named}
    tables = [one for one in book.zones if same_words(one.part, part)]
    said: list[str] = []
    doubts: list[str] = []
    doubtful = False
    for table in (one for one in tables if plain_words(one.name) in zones):
        for reach in REACHES:
            where = _lies(table, reach, measured.get(reach, ()))
            if where == "outside":
                doubts.append(_contradiction(table, reach, measured[reach]))
            elif where == "boundary":
                said.append(f"It lies on the boundary of the zone {table.name}: the stricter zone applies.")
            doubtful |= where in ("outside", "boundary")
    if doubtful:
        zones |= {plain_words(one.name) for one in tables if _possible(one, measured)}
    if len(zones) > 1 and not said:
        said.append("More than one zone comes into question: the stricter one applies.")
    return Placement(frozenset(zones), len(zones) == 1, tuple(dict.fromkeys(said)), tuple(doubts))


def _possible(zone: ZoneDocument, measured: Mapping[str, Sequence[Size]]) -> bool:
    return all(_lies(zone, reach, measured.get(reach, ())) != "outside" for reach in REACHES)


def _lies(zone: ZoneDocument, reach: str, distances: Sequence[Size]) -> str:
    """Say whether a damage lies inside a zone's reach, outside or on its boundary, as far as measured."""
    stated: tuple[float, float] | None = getattr(zone, reach)
    if stated is None or not distances:
        return "not measured"
    factor = MM_PER_INCH if zone.unit == "in" else 1.0
    start, stop = (end * factor for end in stated)
    low = min(one.value - one.expanded_uncertainty for one in distances)
    high = max(one.value + one.expanded_uncertainty for one in distances)
    if high < start - tolerance(start) or low > stop + tolerance(stop):
        return "outside"
    # nothing lies nearer to an edge than the edge itself: a reach from 0 has no boundary there
    inside = (start == 0 or low > start + tolerance(start)) and high < stop - tolerance(stop)
    return "inside" if inside else "boundary"


def _contradiction(zone: ZoneDocument, reach: str, distances: Sequence[Size]) -> str:
    stated = getattr(zone, reach)
    met = " and ".join(f"{one.value:.2f} ± {one.expanded_uncertainty:.2f} mm" for one in distances)
    edge = reach.removeprefix("from_").replace("_", " ")
    return (
        f'the zone "{zone.name}" reaches from {stated[0]:g} to {stated[1]:g} {zone.unit} from the {edge}, '
        f"and the damage was measured {met} from it: check the zone"
    )
