"""Wire documents of limits books (format 8, TOML) and verdicts (format 9)."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from fringewise.core.documents import (
    Broken,
    Count,
    Name,
    NotNegative,
    Number,
    Part,
    Positive,
    Probability,
    Sha256,
    Text,
    YesNo,
    format_of,
)
from fringewise.core.measured import Bound
from fringewise.findings.documents import MARKS, MOST_FINDINGS, KindName

MOST_ROWS = 10_000

Outcome = Literal["serviceable", "inspect_again", "blend", "reject", "not_decided", "not_measured", "no_rule"]
DecidedOutcome = Literal["serviceable", "inspect_again", "blend", "reject"]
LengthUnitName = Literal["mm", "in"]
Reach = tuple[NotNegative, NotNegative]


def _kind_or_any(kind: str) -> str:
    if kind not in (*MARKS, "any"):
        raise ValueError(f"must be any, or one of {', '.join(MARKS)}")
    return kind


KindOrAny = Annotated[
    str, Field(strict=True, json_schema_extra={"enum": ["any", *MARKS]}), AfterValidator(_kind_or_any)
]


class DecisionDocument(Part):
    """The rule by which doubt is weighed, and who decided on it."""

    rule: Literal["ISO 14253-1:2017", "simple acceptance", "guard band k U", "conformance probability p"]
    source: Text | None = None
    k: Annotated[float, Field(strict=True, ge=0, le=10)] | None = None
    p: Annotated[float, Field(strict=True, gt=0.5, lt=1)] | None = None

    def _broken_rules(self) -> Iterable[Broken]:
        if self.rule == "guard band k U" and self.k is None:
            yield Broken("k", "must be given for a guard band")
        if self.rule == "conformance probability p" and self.p is None:
            yield Broken("p", "must be given for a conformance probability")


class ZoneDocument(Part):
    """Where a zone lies: distances on the surface from the blade's edges, in `unit`."""

    name: Name
    part: Name
    unit: LengthUnitName
    from_leading_edge: Reach | None = None
    from_trailing_edge: Reach | None = None
    from_tip: Reach | None = None
    from_root: Reach | None = None
    source: Text | None = None

    def _broken_rules(self) -> Iterable[Broken]:
        for name in ("from_leading_edge", "from_trailing_edge", "from_tip", "from_root"):
            reach = getattr(self, name)
            if reach and not reach[0] < reach[1]:
                yield Broken(name, "must rise", f"{reach[0]:g} to {reach[1]:g}")


class IntervalDocument(Part):
    """How long until the next look or the removal: whichever comes first."""

    cycles: Positive | None = None
    hours: Positive | None = None
    days: Positive | None = None

    def _broken_rules(self) -> Iterable[Broken]:
        if self.cycles is None and self.hours is None and self.days is None:
            yield Broken("", "must state cycles, hours or days")


class BlendLimitsDocument(Part):
    """What a blend must keep to; lengths in the rule's unit."""

    length_to_depth: Positive | None = None
    depth_max: Positive | None = None
    extra_removal: NotNegative | None = None
    radius_min: NotNegative | None = None
    chord_min: NotNegative | None = None
    per_blade_max: Count | None = None
    per_stage_max: Count | None = None
    crack_check: Text | None = None


class RuleDocument(Part):
    """What the manual allows for one quantity of one kind of damage in one zone."""

    id: Name
    part: Name
    zone: Name | None = None
    kind: KindName
    quantity: Name
    unit: LengthUnitName
    serviceable_up_to: NotNegative | None = None
    inspect_again_up_to: NotNegative | None = None
    blend_up_to: NotNegative | None = None
    serviceable_from: NotNegative | None = None
    inspect_again_from: NotNegative | None = None
    interval: IntervalDocument | None = None
    blend: BlendLimitsDocument | None = None
    remove_within: IntervalDocument | None = None
    unit_confirmed: YesNo | None = None
    source: Text | None = None

    def _broken_rules(self) -> Iterable[Broken]:
        upper = ("serviceable_up_to", "inspect_again_up_to", "blend_up_to")
        lower = ("inspect_again_from", "serviceable_from")
        stated = [[name for name in names if getattr(self, name) is not None] for names in (upper, lower)]
        if not any(stated):
            yield Broken("", f"must state a limit: one of {', '.join((*upper, *lower))}")
        for names in stated:
            for less, more in pairwise(names):
                if getattr(self, less) > getattr(self, more):
                    yield Broken(more, f"must not be less than {less}", f"{getattr(self, more):g}")


class SumDocument(Part):
    """The greatest sum of one quantity over a blade or a stage."""

    quantity: Name
    per_blade: NotNegative | None = None
    per_stage: NotNegative | None = None

    def _broken_rules(self) -> Iterable[Broken]:
        if self.per_blade is None and self.per_stage is None:
            yield Broken("", "must state per_blade or per_stage")


class CountDocument(Part):
    """How many damages are allowed together."""

    id: Name
    part: Name
    kind: KindOrAny
    zone: Name | None = None
    unit: LengthUnitName | None = None
    per_blade_max: Count | None = None
    per_stage_max: Count | None = None
    spacing_min: NotNegative | None = None
    sum_max: SumDocument | None = None
    adjacent_allowed: YesNo | None = None
    damaged_blades_per_stage_max: Count | None = None
    exceeded: DecidedOutcome | None = None
    source: Text | None = None

    def _broken_rules(self) -> Iterable[Broken]:
        if self.unit is None and (self.spacing_min is not None or self.sum_max is not None):
            yield Broken("unit", "must be given where there is a length")


class NeverDocument(Part):
    """What is never allowed, whatever its size."""

    id: Name
    part: Name
    kind: KindOrAny
    zone: Name | None = None
    source: Text | None = None


class LimitsDocument(Part):
    """A limits book: what the operator has written into it out of the engine manual."""

    format: Annotated[str, format_of("limits")]
    title: Name
    source: Name
    entered_by: Name | None = None
    checked_by: Name | None = None
    decision: DecisionDocument | None = None
    zone: Annotated[tuple[ZoneDocument, ...], Field(max_length=MOST_ROWS)] | None = None
    rule: Annotated[tuple[RuleDocument, ...], Field(max_length=MOST_ROWS)] | None = None
    count: Annotated[tuple[CountDocument, ...], Field(max_length=MOST_ROWS)] | None = None
    never: Annotated[tuple[NeverDocument, ...], Field(max_length=MOST_ROWS)] | None = None

    def _broken_rules(self) -> Iterable[Broken]:
        if self.checked_by is not None and self.checked_by == self.entered_by:
            yield Broken("checked_by", "must be a second person, not entered_by", self.checked_by)
        names = [
            *((f"rule[{n}].id", one.id) for n, one in enumerate(self.rule or ())),
            *((f"count[{n}].id", one.id) for n, one in enumerate(self.count or ())),
            *((f"never[{n}].id", one.id) for n, one in enumerate(self.never or ())),
        ]
        met: set[str] = set()
        for field, name in names:
            if name in met:
                yield Broken(field, "must be unique in the book", name)
            met.add(name)


class LimitsNamedDocument(Part):
    """The limits book that a verdict went by."""

    title: Name
    source: Name
    sha256: Sha256
    in_force: YesNo


class GroundDocument(Part):
    """One rule that a verdict rests on, with the numbers where it has any."""

    rule: Name
    quantity: Name | None = None
    unit: Text | None = None
    value: Number | None = None
    standard_uncertainty: NotNegative | None = None
    boundary: Name | None = None
    limit: Number | None = None
    acceptance_limit: Number | None = None
    conformance_probability: Probability | None = None
    bound: Bound | None = None
    kept: Literal["kept", "not kept", "in doubt"] | None = None
    source: Text | None = None
    words: Text | None = None


class BlendCheckDocument(Part):
    """One thing that a blend must keep to."""

    name: Name
    asked: Text
    planned: Text
    holds: YesNo
    source: Text | None = None


class BlendPlanDocument(Part):
    """A plan of a blend for the licensed person, or why there is none; lengths in mm."""

    rule: Name
    depth_mm: NotNegative | None = None
    length_mm: NotNegative | None = None
    flat_mm: NotNegative | None = None
    radius_least_mm: NotNegative | None = None
    holds: YesNo
    checks: Annotated[tuple[BlendCheckDocument, ...], Field(max_length=100)] | None = None
    why_not: Annotated[tuple[Text, ...], Field(max_length=100)] | None = None
    statement: Text | None = None


class FindingVerdictDocument(Part):
    """What the book says of one finding."""

    id: Name
    kind: Name | None = None
    part: Name | None = None
    stage: Name | None = None
    item: Name | None = None
    zone: Name | None = None
    damage: Name | None = None
    outcome: Outcome
    interval: IntervalDocument | None = None
    provisional: Annotated[tuple[Text, ...], Field(max_length=100)] | None = None
    by: Annotated[tuple[GroundDocument, ...], Field(max_length=MOST_ROWS)] | None = None
    statement: Text | None = None
    between: tuple[DecidedOutcome, DecidedOutcome] | None = None
    act_as: DecidedOutcome | None = None
    would_decide: Text | None = None
    blend_plan: BlendPlanDocument | None = None

    def _broken_rules(self) -> Iterable[Broken]:
        if self.outcome == "not_decided" and self.between is None:
            yield Broken("between", "must be given where the outcome is not_decided")
        if self.outcome == "not_decided" and self.act_as is None:
            yield Broken("act_as", "must be given where the outcome is not_decided")


class CountVerdictDocument(Part):
    """What a count comes to on a blade or a stage."""

    count: Name
    reach: Literal["blade", "stage"]
    stage: Name | None = None
    part: Name | None = None
    item: Name | None = None
    state: Literal["kept", "exceeded", "not known"]
    outcome: DecidedOutcome
    findings: Annotated[tuple[Name, ...], Field(max_length=MOST_FINDINGS)] | None = None
    statement: Text | None = None


class GroupVerdictDocument(Part):
    """The worst of a blade, a stage or the engine."""

    reach: Literal["blade", "stage", "engine"]
    name: Name | None = None
    outcome: Outcome
    between: tuple[DecidedOutcome, DecidedOutcome] | None = None
    findings: Count | None = None
    items_seen: Count | None = None
    items: Count | None = None
    provisional: Annotated[tuple[Text, ...], Field(max_length=1000)] | None = None
    statement: Text | None = None


class VerdictsDocument(Part):
    """What the book says of all findings of an inspection."""

    format: Annotated[str, format_of("verdicts")]
    limits: LimitsNamedDocument
    decision_rule: Name
    findings: Annotated[tuple[FindingVerdictDocument, ...], Field(max_length=MOST_FINDINGS)]
    counts: Annotated[tuple[CountVerdictDocument, ...], Field(max_length=MOST_ROWS)] | None = None
    groups: Annotated[tuple[GroupVerdictDocument, ...], Field(max_length=MOST_ROWS)] | None = None
    outcome: Outcome
    statement: Text | None = None
    caution: Text | None = None
