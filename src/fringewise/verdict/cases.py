"""What verdicts know of a finding: where it is, what was measured, and what speaks against relying on it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, get_args

from fringewise.findings.finding import Answer
from fringewise.findings.result_documents import FindingResultDocument, QuantityDocument, ResultsDocument
from fringewise.verdict.book import plain_words
from fringewise.verdict.sizes import Size

SUSPECT: Final = ("the head or the part moved", "whether the head or the part moved")
"""How warnings begin after which a size can't be relied on."""
SHARED_SOURCES: Final = ("calibration", "restored metal", "definition", "stated by source")
"""Parts of a budget that a second look with the same equipment does not average out."""
PLACES: Final[Mapping[str, str]] = {
    "from leading edge": "from_leading_edge",
    "from trailing edge": "from_trailing_edge",
    "from tip": "from_tip",
    "from root": "from_root",
    "chord": "chord",
}
"""Notes by which a measured distance says where a damage lies."""
SPACING: Final = re.compile(r"spacing of (?P<one>.+?) and (?P<other>.+)")

_PLACING_KINDS: Final = frozenset({"distance", "offset", "path"})
_FIRST: Final = {"distance": ("along_surface", "straight"), "offset": ("offset",), "path": ("length",)}


@dataclass(frozen=True, slots=True)
class Case:
    """One finding as verdicts see it.

    Attributes
    ----------
    identity : str
        Unique among the cases that are decided together.
    kind : str
    part, stage, item, zone, damage : str
        Empty where not stated.
    sizes : mapping of str to Size
        What was measured, by quantity.
    reason : str
        Why nothing was measured; empty where something was.
    tear_or_crack : {"yes", "no", "not known"}
    doubts : tuple of str
        Why its sizes can't be relied on without more, each in words.
    said : tuple of str
        What is to be told with it and bars nothing.
    noise_shares : mapping of str to (float, float)
        By quantity: the parts of u from frame noise and from marks.
    standoff_mm : float, optional
    head, capture : str
    """

    identity: str
    kind: str
    part: str = ""
    stage: str = ""
    item: str = ""
    zone: str = ""
    damage: str = ""
    sizes: Mapping[str, Size] = field(default_factory=dict)
    reason: str = ""
    tear_or_crack: Answer = "not known"
    doubts: tuple[str, ...] = ()
    said: tuple[str, ...] = ()
    noise_shares: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    standoff_mm: float | None = None
    head: str = ""
    capture: str = ""

    @property
    def blade(self) -> tuple[str, str, str]:
        """Stage, part and item in plain words."""
        return plain_words(self.stage), plain_words(self.part), plain_words(self.item)

    @property
    def subject(self) -> tuple[str, ...]:
        """What findings share that mark the same damage in the same way."""
        own = self.damage or f"\0{self.identity}"  # without a name of its own each is a damage by itself
        return (*self.blade, own, self.kind)


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What was measured of where damages lie, by the damages' names (their `damage`, else their id).

    A name stands for itself on any blade, or as `named_on` gives it on one: blade 7 and blade 9 may both have
    a damage D1.

    Attributes
    ----------
    places : mapping of str to mapping of str to tuple of Size
        By damage, then by ``from_leading_edge``, ``from_tip``, … or ``chord``: distances in mm.
    spacings : mapping of frozenset of str to Size
        Distance between two damages.
    """

    places: Mapping[str, Mapping[str, tuple[Size, ...]]] = field(default_factory=dict)
    spacings: Mapping[frozenset[str], Size] = field(default_factory=dict)

    def of(self, case: Case) -> dict[str, tuple[Size, ...]]:
        """Give what was measured of where a damage lies."""
        found: dict[str, tuple[Size, ...]] = {}
        for key in dict.fromkeys(_keys(case)):
            for name, sizes in self.places.get(key, {}).items():
                found[name] = (*found.get(name, ()), *sizes)
        return found

    def between(self, one: Case, other: Case) -> Size | None:
        """Give the least measured distance between two damages of one blade; None where there is none."""
        pairs = zip(_keys(one), _keys(other), strict=True)
        found = [self.spacings[key] for pair in pairs if (key := frozenset(pair)) in self.spacings]
        return min(found, key=lambda size: size.value) if found else None


def cases_of(results: ResultsDocument, *, prefix: str = "", doubts: Sequence[str] = ()) -> tuple[Case, ...]:
    """Make cases of all findings of one capture's results, but for distances that only place others.

    Parameters
    ----------
    results : ResultsDocument
    prefix : str
        Put before each id, where ids of several captures would be the same.
    doubts : sequence of str
        What speaks against relying on the capture, such as a head without a verification.
    """
    summary = results.capture
    return tuple(
        _case(one, prefix, tuple(doubts), summary.standoff_mm, summary.head or "", summary.sha256 or "")
        for one in results.findings
        if not placing_of(one)
    )


def surroundings_of(documents: Sequence[ResultsDocument]) -> Surroundings:
    """Collect the measured distances that say where damages lie and how far they are apart.

    Such a distance is a finding of kind ``distance``, ``offset`` or ``path`` with the damage's name as its
    `damage` and the note "from leading edge", "from trailing edge", "from tip", "from root" or "chord"; or
    with the note "spacing of D1 and D2".
    """
    places: dict[str, dict[str, tuple[Size, ...]]] = {}
    spacings: dict[frozenset[str], Size] = {}
    for finding in (one for document in documents for one in document.findings):
        placing = placing_of(finding)
        size = _placing_size(finding)
        if not placing or size is None:
            continue
        if pair := SPACING.fullmatch(placing):
            between = frozenset(named_on(stated(finding, "item"), pair[name]) for name in ("one", "other"))
            known = spacings.get(between)
            spacings[between] = size if known is None or size.value < known.value else known
        else:
            name = named_on(stated(finding, "item"), stated(finding, "damage"))
            of_damage = places.setdefault(name, {})
            of_damage[PLACES[placing]] = (*of_damage.get(PLACES[placing], ()), size)
    return Surroundings(places, spacings)


def named_on(item: str, damage: str) -> str:
    """Give the name of a damage on an item; on any item where that is not stated.

    Examples
    --------
    >>> named_on("7", "D1"), named_on("", "D1")
    ('7: D1', 'D1')
    """
    return f"{plain_words(item)}: {damage}" if item else damage


def _keys(case: Case) -> tuple[str, str]:
    name = case.damage or case.identity
    return name, named_on(case.item, name)


def placing_of(finding: FindingResultDocument) -> str:
    """Give the note of a distance that places damages; empty for any other finding."""
    note = plain_words(stated(finding, "note")) if stated(finding, "note") else ""
    raw = " ".join(stated(finding, "note").split())
    if finding.kind not in _PLACING_KINDS:
        return ""
    if SPACING.fullmatch(raw):
        return raw
    return note if note in PLACES and stated(finding, "damage") else ""


def stated(finding: FindingResultDocument, name: str) -> str:
    """Give a field that went through from the finding to its result; empty where it is not stated."""
    value: Any = (finding.model_extra or {}).get(name)
    return "" if value is None else str(value)


def size_of(quantity: QuantityDocument) -> Size:
    """Take a size from results; a length stated in inches is not known to format 5, and none is."""
    parts = {line.source: line.standard_uncertainty for line in quantity.budget}
    shared = sum(parts.get(source, 0.0) ** 2 for source in SHARED_SOURCES) ** 0.5
    return Size(
        quantity.value,
        quantity.standard_uncertainty,
        quantity.degrees_of_freedom or float("inf"),
        tuple((float(p), x) for p, x in (quantity.quantiles or {}).items()),
        quantity.bound,
        quantity.not_included,
        min(shared, quantity.standard_uncertainty),
    )


def _case(
    finding: FindingResultDocument,
    prefix: str,
    doubts: tuple[str, ...],
    standoff_mm: float | None,
    head: str,
    capture: str,
) -> Case:
    warnings = finding.warnings or ()
    suspect = [one for one in warnings if one.startswith(SUSPECT)]
    answer = stated(finding, "tear_or_crack")
    quantities = finding.quantities or ()
    return Case(
        prefix + finding.id,
        finding.kind,
        stated(finding, "part"),
        stated(finding, "stage"),
        stated(finding, "item"),
        stated(finding, "zone"),
        stated(finding, "damage"),
        {one.name: size_of(one) for one in quantities},
        finding.reason or "" if finding.status == "not_measured" else "",
        next((one for one in get_args(Answer) if one == answer), "not known"),
        (*doubts, *suspect),
        tuple(one for one in warnings if one not in suspect),
        {one.name: _noise_shares(one) for one in quantities},
        standoff_mm,
        head,
        capture,
    )


def _noise_shares(quantity: QuantityDocument) -> tuple[float, float]:
    parts = {line.source: line.standard_uncertainty for line in quantity.budget}
    return parts.get("frame noise", 0.0), parts.get("marks", 0.0)


def _placing_size(finding: FindingResultDocument) -> Size | None:
    sizes = {one.name: size_of(one) for one in finding.quantities or ()}
    return next((sizes[name] for name in _FIRST.get(finding.kind, ()) if name in sizes), None)


def same_damage(cases: Sequence[Case]) -> Iterator[tuple[Case, ...]]:
    """Put cases together that mark the same damage in the same way, in the order they first come."""
    groups: dict[tuple[str, ...], list[Case]] = {}
    for case in cases:
        groups.setdefault(case.subject, []).append(case)
    yield from (tuple(group) for group in groups.values())
