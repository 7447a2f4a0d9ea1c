"""Where a stage's damage lies on its items, span over chord: zones of the limits book, findings in them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from fringewise.record.inspection import FoundFinding, Inspection
from fringewise.verdict.documents import LimitsDocument, ZoneDocument

_NEAR: Final = 0.66
_FAR: Final = 0.84


@dataclass(frozen=True, slots=True)
class MapZone:
    """A zone on the map: chord from 0 (leading edge) to 1, span from 0 (root) to 1; not to scale."""

    name: str
    words: str
    chord: tuple[float, float]
    span: tuple[float, float]


@dataclass(frozen=True, slots=True)
class MapMark:
    """A finding on the map: its words, its outcome, and its zone; empty where none is stated or known."""

    words: str
    outcome: str
    zone: str


@dataclass(frozen=True, slots=True)
class DamageMap:
    """All damage of a stage on one item's outline."""

    stage: str
    part: str
    zones: tuple[MapZone, ...]
    marks: tuple[MapMark, ...]


def damage_map(inspection: Inspection, stage: str, book: LimitsDocument | None) -> DamageMap:
    """Collect a stage's damage by zone.

    A zone's place follows from the edges that the book measures it from; the map is not to scale, because
    chord and span of the part are not on record.
    """
    part = next((one.part for one in inspection.about.card.stage if one.name == stage), "")
    zones = tuple(_map_zones([one for one in (book.zone if book else None) or () if one.part == part]))
    found = [one for one in inspection.all_findings if one.stage == stage]
    return DamageMap(stage, part, zones, tuple(_marks(found)))


def _marks(found: Sequence[FoundFinding]) -> Iterator[MapMark]:
    for one in found:
        yield MapMark(f"{one.item}: {one.identity}", one.outcome or "marked", one.zone)


@dataclass(frozen=True, slots=True)
class _Scale:
    """Places for the distances that a book measures from one edge: in their order, evenly apart."""

    places: dict[float, float]

    @classmethod
    def over(cls, zones: Sequence[ZoneDocument], field: str, share: float) -> _Scale:
        """Spread all distances of one field over `share` of the item, 0 at the edge itself."""
        ends = {0.0, *(end for zone in zones for end in getattr(zone, field) or ())}
        return cls({end: share * n / max(len(ends) - 1, 1) for n, end in enumerate(sorted(ends))})

    def between(self, reach: tuple[float, float]) -> tuple[float, float]:
        return self.places[reach[0]], self.places[reach[1]]


def _map_zones(zones: Sequence[ZoneDocument]) -> Iterator[MapZone]:
    both_edges = any(zone.from_trailing_edge for zone in zones)
    both_ends = any(zone.from_root for zone in zones)
    leading = _Scale.over(zones, "from_leading_edge", _NEAR if both_edges else _FAR)
    trailing = _Scale.over(zones, "from_trailing_edge", 1 - _NEAR)
    tip = _Scale.over(zones, "from_tip", _NEAR if both_ends else _FAR)
    root = _Scale.over(zones, "from_root", 1 - _NEAR)
    for zone in zones:
        chord, span, said = (0.0, 1.0), (0.0, 1.0), []
        if zone.from_leading_edge:
            chord = leading.between(zone.from_leading_edge)
            said.append(_reach(zone.from_leading_edge, zone.unit, "leading edge"))
        if zone.from_trailing_edge:
            near, far = trailing.between(zone.from_trailing_edge)
            chord = (1 - far, 1 - near)
            said.append(_reach(zone.from_trailing_edge, zone.unit, "trailing edge"))
        if zone.from_tip:
            near, far = tip.between(zone.from_tip)
            span = (1 - far, 1 - near)
            said.append(_reach(zone.from_tip, zone.unit, "tip"))
        if zone.from_root:
            span = root.between(zone.from_root)
            said.append(_reach(zone.from_root, zone.unit, "root"))
        yield MapZone(zone.name, "; ".join(said), chord, span)


def _reach(reach: tuple[float, float], unit: str, edge: str) -> str:
    return f"{reach[0]:g} to {reach[1]:g} {unit} from the {edge}"
