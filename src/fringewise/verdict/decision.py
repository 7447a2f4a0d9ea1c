"""Decision rules: the mildest and the worst class that a size may still have, and what that rests on.

One-sided probabilities throughout, from the measurement alone (JCGM 106:2012 without prior knowledge). Where
less is worse, all is mirrored.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from fringewise.verdict.book import CLASSES, RANK, Ladder, Side
from fringewise.verdict.documents import DecidedOutcome, DecisionDocument
from fringewise.verdict.sizes import Size, tolerance
from fringewise.verdict.words import decision_words

Kept = Literal["kept", "not kept", "in doubt", ""]

ISO_PROBABILITY: Final = 0.95
"""Default conformance probability of ISO 14253-1:2017."""
PROBABILITY_TOLERANCE: Final = 1e-9
"""A probability within this of the wanted one counts as the wanted one: exactly 95 % is met."""

_TWO_SIGMA_UP: Final = 0.97725
"""Probability below the value and two standard deviations, for the guard band of a lopsided size."""


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """How doubt is weighed: by a probability, or by a guard band, which is 0 for simple acceptance.

    Attributes
    ----------
    words : str
        The rule with its numbers, as it is printed.
    probability : float, optional
        Least probability of conformity for acceptance; None where a guard band rules.
    guard_k : float
        Guard band in units of U.
    what_if : bool
        Whether it is not the book's own rule: then nothing can be signed.
    """

    words: str
    probability: float | None = ISO_PROBABILITY
    guard_k: float = 0.0
    what_if: bool = False

    def may_lie_beyond(self, size: Size, limit: float) -> bool:
        """Say whether a size may still lie above a limit."""
        if self.probability is not None:
            doubt = 1.0 - self.probability
            return 1.0 - size.probability_up_to(limit) > doubt + PROBABILITY_TOLERANCE
        return size.value + self.guard(size) > limit + tolerance(limit)

    def may_lie_within(self, size: Size, limit: float) -> bool:
        """Say whether a size may still lie at a limit or below it."""
        if self.probability is not None:
            doubt = 1.0 - self.probability
            return size.probability_up_to(limit) > doubt + PROBABILITY_TOLERANCE
        return size.value - self.guard(size) <= limit + tolerance(limit)

    def guard(self, size: Size) -> float:
        """Give how far inside an upper limit a size must lie to be accepted."""
        if self.probability is not None:
            return size.quantile(self.probability) - size.value
        if not self.guard_k:
            return 0.0
        lopsided = size.quantile(_TWO_SIGMA_UP) - size.value if size.quantiles else 0.0
        return self.guard_k * max(size.expanded_uncertainty, lopsided)


@dataclass(frozen=True, slots=True)
class Bounds:
    """The mildest and the worst class still possible."""

    mildest: DecidedOutcome = "serviceable"
    worst: DecidedOutcome = "reject"

    def __post_init__(self) -> None:
        if RANK[self.mildest] > RANK[self.worst]:
            raise ValueError(
                f"the mildest class can't be worse than the worst ({self.mildest}, {self.worst})"
            )

    @property
    def decided(self) -> DecidedOutcome | None:
        """The class, where only one is possible."""
        return self.worst if self.mildest == self.worst else None


@dataclass(frozen=True, slots=True)
class Ground:
    """One boundary that an outcome rests on, or the want of a size.

    Attributes
    ----------
    rule : str
        The entry's id.
    quantity, unit : str
    size : Size, optional
    boundary : str
        Such as ``blend_up_to``; empty where it is not about a size.
    limit, acceptance_limit : float, optional
    conformance_probability : float, optional
        Of keeping to the boundary.
    bounds : Bounds
        What this rule allows still.
    source : str
        The entry's place in the manual.
    words : str
        What stands instead of numbers.
    kept : {"kept", "not kept", "in doubt", ""}
        Whether the boundary is kept, as the decision rule has it.
    """

    rule: str
    bounds: Bounds
    quantity: str = ""
    unit: str = ""
    size: Size | None = None
    boundary: str = ""
    limit: float | None = None
    acceptance_limit: float | None = None
    conformance_probability: float | None = None
    source: str = ""
    words: str = ""
    kept: Kept = ""


@dataclass(frozen=True, slots=True)
class Subject:
    """What a ladder is about: the entry's id, its quantity and unit, its place in the manual."""

    rule: str
    quantity: str
    unit: str
    source: str = ""


def decision_rule(decision: DecisionDocument, *, what_if: bool = False) -> DecisionRule:
    """Make the rule that a book or a person states.

    Examples
    --------
    >>> decision_rule(DecisionDocument(rule="guard band k U", k=1.0)).guard(Size(0.7, 0.03))
    0.06
    """
    words = decision_words(decision)
    if what_if:
        words = f"what-if, not to be signed: {words}"
    if decision.rule == "ISO 14253-1:2017":
        return DecisionRule(words, ISO_PROBABILITY, what_if=what_if)
    if decision.rule == "conformance probability p":
        return DecisionRule(words, decision.p, what_if=what_if)
    return DecisionRule(words, None, decision.k or 0.0 if decision.rule == "guard band k U" else 0.0, what_if)


def ladder_bounds(size: Size, ladder: Ladder, rule: DecisionRule) -> Bounds:
    """Give the classes that a size may still have on a ladder of boundaries.

    The worst lies above the highest boundary that the size may still exceed, the mildest below the lowest one
    that it may still keep to; never milder than where the value itself lies. A bound such as "at least" can
    prove that a boundary is exceeded, and never that it is kept to.

    Examples
    --------
    >>> from fringewise.verdict.book import Step
    >>> steps = (Step("serviceable_up_to", 0.25, "serviceable"), Step("blend_up_to", 0.9, "blend"))
    >>> ladder_bounds(Size(0.245, 0.01), Ladder("more", steps), decision_rule(DecisionDocument(
    ...     rule="ISO 14253-1:2017")))
    Bounds(mildest='serviceable', worst='blend')
    """
    seen, limits = _facing_up(size, ladder)
    last = len(limits) - 1
    beyond = next((n for n in range(last, -1, -1) if rule.may_lie_beyond(seen, limits[n])), None)
    within = next((n for n, limit in enumerate(limits) if rule.may_lie_within(seen, limit)), None)
    value = next((n for n, limit in enumerate(limits) if seen.value <= limit + tolerance(limit)), None)
    of_value = "reject" if value is None else ladder.steps[value].within
    worst = ladder.steps[0].within if beyond is None else ladder.beyond(beyond)
    mildest = "reject" if within is None else ladder.steps[within].within
    if seen.bound != "both":
        worst = "reject"
    if seen.bound == "at_most":
        mildest = ladder.steps[0].within
    return Bounds(milder(mildest, of_value, worst), worse(worst, of_value))


def ladder_grounds(
    about: Subject, size: Size, ladder: Ladder, rule: DecisionRule, bounds: Bounds
) -> tuple[Ground, ...]:
    """Give the boundaries that an outcome rests on: those in doubt, or else the nearest one."""
    seen, limits = _facing_up(size, ladder)
    steps = range(len(limits))
    doubtful = [
        n for n in steps if rule.may_lie_beyond(seen, limits[n]) and rule.may_lie_within(seen, limits[n])
    ]
    kept = [n for n in steps if not rule.may_lie_beyond(seen, limits[n])]
    shown = doubtful or [kept[0] if kept else len(limits) - 1]
    sign = 1.0 if ladder.worse == "more" else -1.0
    return tuple(
        Ground(
            bounds=bounds,
            size=size,
            boundary=ladder.steps[n].boundary,
            limit=ladder.steps[n].limit,
            acceptance_limit=sign * (limits[n] - rule.guard(seen)),
            conformance_probability=seen.probability_up_to(limits[n]) if seen.bound == "both" else None,
            rule=about.rule,
            quantity=about.quantity,
            unit=about.unit,
            source=about.source,
            kept=_kept(seen, limits[n], rule),
        )
        for n in shown
    )


def strictest(bounds: Sequence[Bounds]) -> Bounds:
    """Give what all of several rules together allow still.

    Examples
    --------
    >>> strictest([Bounds("serviceable", "reject"), Bounds("blend", "blend")])
    Bounds(mildest='blend', worst='reject')
    """
    return Bounds(worse(*(one.mildest for one in bounds)), worse(*(one.worst for one in bounds)))


def worse(*classes: DecidedOutcome) -> DecidedOutcome:
    """Give the worst of some classes."""
    return CLASSES[max(RANK[one] for one in classes)]


def milder(*classes: DecidedOutcome) -> DecidedOutcome:
    """Give the mildest of some classes."""
    return CLASSES[min(RANK[one] for one in classes)]


def within_side(size: Size, side: Side) -> Size:
    """Turn a size so that more is worse; a length below zero counts by its magnitude where more is worse."""
    if side == "less":
        return size.mirrored()
    return size.mirrored() if size.value < 0 else size


def _kept(seen: Size, limit: float, rule: DecisionRule) -> Kept:
    if seen.bound != "at_most" and not rule.may_lie_within(seen, limit):
        return "not kept"
    return "kept" if seen.bound == "both" and not rule.may_lie_beyond(seen, limit) else "in doubt"


def _facing_up(size: Size, ladder: Ladder) -> tuple[Size, list[float]]:
    sign = 1.0 if ladder.worse == "more" else -1.0
    return within_side(size, ladder.worse), [sign * step.limit for step in ladder.steps]
