"""What can be wrong with the zones and the names of parts and zones in a limits book."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Final

from fringewise.core.units import MM_PER_INCH
from fringewise.verdict.book import REACHES, is_any, plain_words
from fringewise.verdict.documents import ZoneDocument
from fringewise.verdict.draft import Draft, Entry, Fault
from fringewise.verdict.names import likely_slip

_ALIKE: Final = 1e-9


def zone_faults(draft: Draft) -> Iterator[Fault]:
    """Find zones told of twice, and gaps and overlaps between zones that differ by one distance only."""
    met: dict[tuple[str, str], str] = {}
    for entry in draft.zones:
        name = (plain_words(entry.document.part), plain_words(entry.document.name))
        if name in met:
            yield Fault(
                f"{entry.place}.name",
                "must stand once for its part",
                "keep one of the two",
                entry.document.name,
            )
        met[name] = entry.place
        if all(getattr(entry.document, reach) is None for reach in REACHES):
            yield Fault(entry.place, "must say where the zone lies", f"add one of {', '.join(REACHES)}")
    for part in dict.fromkeys(plain_words(one.document.part) for one in draft.zones):
        of_part = [one for one in draft.zones if plain_words(one.document.part) == part]
        for reach in REACHES:
            yield from _neighbours(of_part, reach)


def _neighbours(zones: Sequence[Entry[ZoneDocument]], reach: str) -> Iterator[Fault]:
    """Compare zones that lie alike in all but one distance."""
    groups: dict[tuple[Any, ...], list[tuple[float, float, Entry[ZoneDocument]]]] = {}
    for entry in zones:
        own = _reach_mm(entry.document, reach)
        if own is not None:
            others = tuple(_reach_mm(entry.document, name) for name in REACHES if name != reach)
            groups.setdefault(others, []).append((*own, entry))
    for group in groups.values():
        ordered = sorted(group, key=lambda one: (one[0], one[1]))
        covered, last = ordered[0][1], ordered[0][2]
        for start, stop, entry in ordered[1:]:
            place = f"{entry.place}.{reach}"
            found = f"{start:g} to {stop:g} mm"
            if start > covered * (1 + _ALIKE):
                words = f'leaves a gap from {covered:g} to {start:g} mm after zone "{last.document.name}"'
                yield Fault(
                    place, words, "compare both with the manual: damage there would have no zone", found
                )
            elif start < covered * (1 - _ALIKE) < covered < stop * (1 - _ALIKE):
                words = f'overlaps zone "{last.document.name}" from {start:g} to {covered:g} mm'
                yield Fault(place, words, "compare both with the manual: say where one ends", found)
            if stop > covered:
                covered, last = stop, entry


def _reach_mm(zone: ZoneDocument, name: str) -> tuple[float, float] | None:
    reach: tuple[float, float] | None = getattr(zone, name)
    factor = MM_PER_INCH if zone.unit == "in" else 1.0
    return None if reach is None else (reach[0] * factor, reach[1] * factor)


def name_faults(draft: Draft) -> Iterator[Fault]:
    """Find names of parts and zones that look like slips of others: an entry under a slip applies to nothing.

    A zone that stands as [[zone]] is no slip.
    """
    stated = {plain_words(one.document.part) for one in draft.zones}
    seen: dict[str, str] = {}
    named = [(one.place, one.document.part) for one in draft.zones]
    named += [(one.place, one.document.part) for one in draft.with_ids]
    for place, part in named:
        meant = likely_slip(part, seen.values())
        if meant and plain_words(part) not in seen and plain_words(part) not in stated:
            words = f'looks like "{meant}" mistyped'
            yield Fault(f"{place}.part", words, "write the same part alike everywhere", part)
        seen.setdefault(plain_words(part), part)
    for part in seen:
        yield from _zone_slips(draft, part)


def _zone_slips(draft: Draft, part: str) -> Iterator[Fault]:
    tables = [one.document.name for one in draft.zones if plain_words(one.document.part) == part]
    seen = {plain_words(name): name for name in tables}
    for entry in draft.with_ids:
        zone = entry.document.zone
        if zone is None or is_any(zone) or plain_words(entry.document.part) != part:
            continue
        meant = likely_slip(zone, seen.values())
        if meant and plain_words(zone) not in seen:
            remedy = "write the same zone alike everywhere; where they are two zones, enter both as [[zone]]"
            yield Fault(f"{entry.place}.zone", f'looks like "{meant}" mistyped', remedy, zone)
        seen.setdefault(plain_words(zone), zone)
