"""Verdicts as the plain values of their document (format 9)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from fringewise.verdict.blend_plan import BlendPlan, plan_lines
from fringewise.verdict.counts import CountVerdict
from fringewise.verdict.deciding import DamageVerdict
from fringewise.verdict.decision import Ground
from fringewise.verdict.groups import Decided, GroupVerdict
from fringewise.verdict.statements import group_statement, statement
from fringewise.verdict.words import CAUTION


def verdicts_document(
    decided: Decided,
    would_decide: Mapping[str, str] | None = None,
    plans: Sequence[BlendPlan] = (),
) -> dict[str, Any]:
    """Give verdicts as plain values: one entry a finding, in the order of the findings of each damage.

    Parameters
    ----------
    decided : Decided
    would_decide : mapping of str to str, optional
        By finding: what would settle an open case.
    plans : sequence of BlendPlan
        Of damages that may be blended.
    """
    planned = {one.finding: one for one in plans}
    book, engine = decided.judge.book, decided.engine
    findings = [
        _finding(decided, damage, n, would_decide or {}, planned)
        for damage in decided.damages
        for n in range(len(damage.cases))
    ]
    return {
        "format": "fringewise.verdicts/1",
        "limits": {
            "title": book.document.title,
            "source": book.document.source,
            "sha256": book.sha256,
            "in_force": book.in_force,
        },
        "decision_rule": decided.judge.rule.words,
        "findings": findings,
        "counts": [_count(one) for one in decided.counts],
        "groups": [_group(one) for one in decided.groups],
        "outcome": engine.outcome,
        "statement": group_statement(engine),
        "caution": CAUTION,
    }


def _finding(
    decided: Decided,
    damage: DamageVerdict,
    number: int,
    would_decide: Mapping[str, str],
    plans: Mapping[str, BlendPlan],
) -> dict[str, Any]:
    case = damage.cases[number]
    where = {name: getattr(case, name) for name in ("part", "stage", "item", "zone", "damage")}
    decisive = damage.bounds.decided is None
    stated: dict[str, Any] = {
        "id": case.identity,
        "kind": case.kind,
        **{name: value for name, value in where.items() if value},
        "outcome": damage.outcome,
        "interval": damage.interval.model_dump(exclude_none=True) if damage.interval else None,
        "provisional": list(damage.provisional),
        "by": [_ground(one) for one in damage.grounds],
        "statement": statement(decided, damage),
        "between": [damage.bounds.mildest, damage.bounds.worst] if decisive else None,
        "act_as": damage.bounds.worst if decisive else None,
        "would_decide": would_decide.get(case.identity),
        "blend_plan": _plan(plans.get(case.identity)),
    }
    return {name: value for name, value in stated.items() if value is not None or name == "interval"}


def _plan(plan: BlendPlan | None) -> dict[str, Any] | None:
    if plan is None:
        return None
    removal = plan.removal
    stated: dict[str, Any] = {
        "rule": plan.rule,
        "depth_mm": None if removal is None else removal.depth_mm,
        "length_mm": None if removal is None else removal.length_mm,
        "flat_mm": None if removal is None else removal.flat_mm,
        "radius_least_mm": None if removal is None else removal.radius_least_mm,
        "holds": plan.holds,
        "checks": [
            {
                "name": one.name,
                "asked": one.asked,
                "planned": one.given,
                "holds": one.holds,
                "source": one.source,
            }
            for one in plan.checks
        ],
        "why_not": list(plan.why_not),
        "statement": " ".join(plan_lines(plan)),
    }
    return {name: value for name, value in stated.items() if value is not None}


def _ground(ground: Ground) -> dict[str, Any]:
    size = ground.size
    stated = {
        "rule": ground.rule or "none",
        "quantity": ground.quantity or None,
        "unit": ground.unit if ground.quantity else None,
        "value": None if size is None else size.value,
        "standard_uncertainty": None if size is None else size.standard_uncertainty,
        "bound": None if size is None else size.bound,
        "boundary": ground.boundary or None,
        "limit": ground.limit,
        "acceptance_limit": ground.acceptance_limit,
        "conformance_probability": ground.conformance_probability,
        "kept": ground.kept or None,
        "source": ground.source or None,
        "words": ground.words or None,
    }
    return {name: value for name, value in stated.items() if value is not None}


def _count(count: CountVerdict) -> dict[str, Any]:
    names = ("stage", "part", "item")
    return {
        "count": count.count,
        "reach": count.reach,
        **{name: value for name, value in zip(names, count.where, strict=False) if value},
        "state": count.state,
        "outcome": count.bounds.worst,
        "findings": sorted(count.members),
        "statement": count.words,
    }


def _group(group: GroupVerdict) -> dict[str, Any]:
    decisive = group.bounds.decided is None
    stated = {
        "reach": group.reach,
        "name": group.name or None,
        "outcome": group.outcome,
        "between": [group.bounds.mildest, group.bounds.worst] if decisive else None,
        "findings": group.findings,
        "items_seen": group.seen,
        "items": group.items,
        "provisional": list(group.provisional),
        "statement": group_statement(group),
    }
    return {name: value for name, value in stated.items() if value is not None}
