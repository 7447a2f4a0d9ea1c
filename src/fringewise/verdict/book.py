"""A limits book: what the operator wrote into it, with the line of each entry and whether it is in force."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from fringewise.verdict.documents import (
    CountDocument,
    DecidedOutcome,
    DecisionDocument,
    LimitsDocument,
    NeverDocument,
    RuleDocument,
    ZoneDocument,
)
from fringewise.verdict.quantities import quantity_rule

Side = Literal["more", "less"]

CLASSES: Final[tuple[DecidedOutcome, ...]] = ("serviceable", "inspect_again", "blend", "reject")
"""The outcomes from the mildest to the worst."""

RANK: Final[Mapping[DecidedOutcome, int]] = {name: n for n, name in enumerate(CLASSES)}

UPPER: Final[tuple[tuple[str, DecidedOutcome], ...]] = (
    ("serviceable_up_to", "serviceable"),
    ("inspect_again_up_to", "inspect_again"),
    ("blend_up_to", "blend"),
)
LOWER: Final[tuple[tuple[str, DecidedOutcome], ...]] = (
    ("serviceable_from", "serviceable"),
    ("inspect_again_from", "inspect_again"),
)
DEFAULT_DECISION: Final = DecisionDocument(rule="ISO 14253-1:2017")
ANY_ZONE: Final = "any"
REACHES: Final = ("from_leading_edge", "from_trailing_edge", "from_tip", "from_root")


@dataclass(frozen=True, slots=True)
class Step:
    """One boundary of a rule.

    Attributes
    ----------
    boundary : str
        Its name in the book, such as ``blend_up_to``.
    limit : float
        In mm, mm², mm³, degrees or as a plain ratio.
    within : DecidedOutcome
        The class on the milder side of it.
    """

    boundary: str
    limit: float
    within: DecidedOutcome


@dataclass(frozen=True, slots=True)
class Ladder:
    """The boundaries of a rule on one side, from the mildest to the worst; beyond the last one: reject.

    Attributes
    ----------
    worse : {"more", "less"}
        On which side of a boundary it is worse.
    steps : tuple of Step
    """

    worse: Side
    steps: tuple[Step, ...]

    def beyond(self, number: int) -> DecidedOutcome:
        """Give the class on the worse side of a step."""
        return self.steps[number + 1].within if number + 1 < len(self.steps) else "reject"


@dataclass(frozen=True, slots=True)
class LimitsBook:
    """A limits book that was read and found sound.

    Attributes
    ----------
    document : LimitsDocument
    sha256 : str
        Of the file's bytes.
    lines : mapping of str to int
        The line of each field of the text.
    """

    document: LimitsDocument
    sha256: str = "0" * 64
    lines: Mapping[str, int] = field(default_factory=dict)

    @property
    def rules(self) -> tuple[RuleDocument, ...]:
        """Size rules."""
        return self.document.rule or ()

    @property
    def zones(self) -> tuple[ZoneDocument, ...]:
        """Where zones lie."""
        return self.document.zone or ()

    @property
    def counts(self) -> tuple[CountDocument, ...]:
        """How many are allowed together."""
        return self.document.count or ()

    @property
    def nevers(self) -> tuple[NeverDocument, ...]:
        """What is never allowed."""
        return self.document.never or ()

    @property
    def decision(self) -> DecisionDocument:
        """The decision rule that the book states, or the default."""
        return self.document.decision or DEFAULT_DECISION

    @property
    def in_force(self) -> bool:
        """Whether a second person has compared it with the manual."""
        return not self.why_not_in_force

    @property
    def why_not_in_force(self) -> str:
        """Why the book is not in force yet; empty where it is."""
        entered, checked = self.document.entered_by, self.document.checked_by
        if checked is None:
            return "no second person has compared the limits book with the manual (checked_by)"
        if entered is None:
            return "the limits book does not say who entered it (entered_by), so nobody counts as the second"
        if same_words(entered, checked):
            return "the limits book was checked by the person who entered it"
        return ""

    @property
    def parts(self) -> tuple[str, ...]:
        """Every part that the book speaks of, in its order."""
        return tuple(dict.fromkeys(part for part, _ in self._places()))

    def zone_names(self, part: str) -> tuple[str, ...]:
        """Every zone of a part that the book speaks of, in its order."""
        seen: dict[str, str] = {}
        for one, zone in self._places():
            if same_words(one, part) and not is_any(zone):
                seen.setdefault(plain_words(zone), zone)
        return tuple(seen.values())

    def _places(self) -> list[tuple[str, str]]:
        """Part and zone of each entry."""
        entries: tuple[RuleDocument | CountDocument | NeverDocument, ...]
        entries = (*self.rules, *self.counts, *self.nevers)
        zones = [(one.part, one.name) for one in self.zones]
        return [*zones, *((one.part, ANY_ZONE if one.zone is None else one.zone) for one in entries)]


def ladders(rule: RuleDocument) -> tuple[Ladder, ...]:
    """Give a rule's boundaries in mm, on the upper side, the lower side or both.

    Examples
    --------
    >>> rule = RuleDocument.model_validate({"id": "A", "part": "blade", "kind": "dent", "quantity": "depth",
    ...     "unit": "in", "serviceable_up_to": 0.01, "blend_up_to": 0.03})
    >>> [(step.boundary, round(step.limit, 3), step.within) for step in ladders(rule)[0].steps]
    [('serviceable_up_to', 0.254, 'serviceable'), ('blend_up_to', 0.762, 'blend')]
    """
    quantity = quantity_rule(rule.kind, rule.quantity)

    def steps(names: tuple[tuple[str, DecidedOutcome], ...]) -> tuple[Step, ...]:
        stated = [(name, getattr(rule, name), within) for name, within in names]
        return tuple(
            Step(name, quantity.in_millimetres(value, rule.unit), within)
            for name, value, within in stated
            if value is not None
        )

    made = (Ladder("more", steps(UPPER)), Ladder("less", steps(LOWER)))
    return tuple(one for one in made if one.steps)


def same_words(one: str, other: str) -> bool:
    """Say whether two names are the same but for capitals and spaces.

    Examples
    --------
    >>> same_words("Compressor 3  blade", "compressor 3 blade")
    True
    """
    return plain_words(one) == plain_words(other)


def plain_words(name: str) -> str:
    """Give a name in small letters with single spaces."""
    return " ".join(name.casefold().split())


def is_any(zone: str | None) -> bool:
    """Say whether a zone stands for all of the part."""
    return zone is None or plain_words(zone) == ANY_ZONE
