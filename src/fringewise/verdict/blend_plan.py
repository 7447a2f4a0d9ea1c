"""A blend plan: the smallest smooth removal that clears a damage within the book's limits of a blend."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.verdict.deciding import DamageVerdict
from fringewise.verdict.documents import BlendLimitsDocument, RuleDocument
from fringewise.verdict.quantities import quantity_rule
from fringewise.verdict.removal import Removal, smallest_removal
from fringewise.verdict.repeats import join
from fringewise.verdict.sizes import Size
from fringewise.verdict.stages import StageSeen, stage_of

NEEDED: Final = ("length_to_depth", "depth_max", "extra_removal", "radius_min", "chord_min")
"""What the book must state of a blend; without any of it there is no plan."""
PLANNED_KINDS: Final = ("edge_nick",)
CAUTION: Final = (
    "A plan for the licensed person, not an instruction. The finding stays open until the finished blend is "
    "measured, checked for cracks as the book says, and accepted."
)

_DRAWN: Final = 241


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that a blend must keep to: what the book asks, what the plan gives, whether it holds."""

    name: str
    asked: str
    given: str
    holds: bool
    source: str


@dataclass(frozen=True, slots=True)
class BlendPlan:
    """A plan for one damage.

    Attributes
    ----------
    finding : str
    rule : str
    removal : Removal, optional
        None where there is no plan.
    checks : tuple of Check
    why_not : tuple of str
        Why there is no plan; empty where there is one.
    after : tuple of str
        What must happen before the finding is closed.
    damage_mm : (depth, length), optional
        Of the damage itself, without its doubt.
    """

    finding: str
    rule: str
    removal: Removal | None = None
    checks: tuple[Check, ...] = ()
    why_not: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    damage_mm: tuple[float, float] | None = None

    @property
    def holds(self) -> bool:
        """Whether there is a removal that keeps to everything the book asks."""
        return self.removal is not None and all(one.holds for one in self.checks)


def plan_blend(
    damage: DamageVerdict,
    damages: Sequence[DamageVerdict] = (),
    stages: Sequence[StageSeen] = (),
    places: Mapping[str, Sequence[Size]] | None = None,
    outline_mm: Array | None = None,
) -> BlendPlan | None:
    """Plan the blend of a damage that may be blended; None where that is not what it is to be acted on as.

    Parameters
    ----------
    damage : DamageVerdict
    damages : sequence of DamageVerdict
        All of the engine, for the blends that are there already.
    stages : sequence of StageSeen
    places : mapping of str to sequence of Size, optional
        What was measured of where it lies; ``chord`` is needed.
    outline_mm : (N, 2) array, optional
        As for `smallest_removal`, without doubt.
    """
    rule = next(
        (one for one in damage.rules if one.blend_up_to is not None and one.kind == damage.case.kind), None
    )
    if damage.bounds.worst != "blend" or rule is None:
        return None
    name = damage.case.identity
    chord = _least(tuple((places or {}).get("chord", ())))
    sizes = {one: _greatest(damage, one) for one in ("depth", "length")}
    missing = tuple(_missing(damage, rule, sizes, chord))
    if missing:
        return BlendPlan(name, rule.id, why_not=missing)
    depth, length = sizes["depth"], sizes["length"]
    assert rule.blend is not None
    assert depth is not None
    assert length is not None
    assert chord is not None
    asked = _in_millimetres(rule.blend, rule.unit)
    beyond = depth.expanded_uncertainty + asked["extra_removal"]
    removal = smallest_removal(
        depth.value + beyond,
        length.value + length.expanded_uncertainty,
        length_to_depth=asked["length_to_depth"],
        radius_min_mm=asked["radius_min"],
        outline_mm=None if outline_mm is None else outline_mm + np.array([0.0, beyond]),
    )
    checks = (*_shape_checks(removal, asked, chord, rule), *_count_checks(damage, damages, stages, rule))
    return BlendPlan(name, rule.id, removal, checks, (), tuple(_after(rule)), (depth.value, length.value))


def plan_lines(plan: BlendPlan) -> Iterator[str]:
    """Write a plan, or why there is none."""
    for reason in plan.why_not:
        yield f"No blend plan: {reason}."
    if plan.removal is None:
        return
    removal = plan.removal
    size = f"{removal.depth_mm:.2f} mm at the deepest over {removal.length_mm:.1f} mm of the edge"
    radius = f"least radius {removal.radius_least_mm:.1f} mm"
    yield f"Blend plan for {plan.finding}: take away {size}, {radius} (rule {plan.rule})."
    for check in plan.checks:
        holds = "holds" if check.holds else "does not hold"
        source = f" ({check.source})" if check.source else ""
        yield f"{check.name}: asked {check.asked}, planned {check.given}: {holds}{source}."
    if not plan.holds:
        yield "No blend keeps to all of it: refer."
    yield from plan.after
    yield CAUTION


def drawn_shape(plan: BlendPlan) -> tuple[Array, Array]:
    """Give places along the edge from the damage's middle and the depth of the removal there, in mm."""
    assert plan.removal is not None
    half = 0.65 * plan.removal.length_mm
    along = np.linspace(-half, half, _DRAWN)
    return along, plan.removal.depths_mm(along)


def _missing(
    damage: DamageVerdict, rule: RuleDocument, sizes: Mapping[str, Size | None], chord: Size | None
) -> Iterator[str]:
    if damage.case.kind not in PLANNED_KINDS:
        yield f"there is none for {damage.case.kind.replace('_', ' ')} damage: only for a nick in an edge"
        return
    for name in NEEDED:
        if rule.blend is None or getattr(rule.blend, name) is None:
            yield f"the book does not state {name} of a blend (rule {rule.id})"
    for name, size in sizes.items():
        if size is None:
            yield f"the {name} of the damage was not measured as a whole"
    if chord is None:
        yield 'the chord there was not measured (a distance noted "chord")'


def _greatest(damage: DamageVerdict, quantity: str) -> Size | None:
    """Give the size to clear: the joined one, or the greatest where measurements don't agree."""
    sizes = [one.sizes[quantity] for one in damage.cases if quantity in one.sizes]
    found = join(sizes).candidates if sizes else ()
    whole = all(one.bound == "both" for one in found)
    return max(found, key=lambda one: one.value + one.expanded_uncertainty) if found and whole else None


def _least(sizes: Sequence[Size]) -> Size | None:
    return min(sizes, key=lambda one: one.value - one.expanded_uncertainty) if sizes else None


def _in_millimetres(blend: BlendLimitsDocument, unit: str) -> dict[str, float]:
    length = quantity_rule("blend", "depth")
    values = {name: float(getattr(blend, name)) for name in NEEDED}
    return {
        name: value if name == "length_to_depth" else length.in_millimetres(value, unit)
        for name, value in values.items()
    }


def _shape_checks(
    removal: Removal, asked: Mapping[str, float], chord: Size, rule: RuleDocument
) -> Iterator[Check]:
    left = chord.value - chord.expanded_uncertainty - removal.depth_mm
    source = rule.source or ""
    ratio = removal.length_mm / removal.depth_mm
    rows = (
        ("Length to depth", "at least", asked["length_to_depth"], ratio, ""),
        ("Least radius", "at least", asked["radius_min"], removal.radius_least_mm, " mm"),
        ("Depth of the blend", "at most", asked["depth_max"], removal.depth_mm, " mm"),
        ("Chord left", "at least", asked["chord_min"], left, " mm"),
    )
    for name, side, limit, given, unit in rows:
        sign = 1.0 if side == "at least" else -1.0
        holds = sign * (given - limit) >= -1e-9 * limit
        yield Check(name, f"{side} {limit:.4g}{unit}", f"{given:.4g}{unit}", holds, source)


def _count_checks(
    damage: DamageVerdict, damages: Sequence[DamageVerdict], stages: Sequence[StageSeen], rule: RuleDocument
) -> Iterator[Check]:
    """Count the blends that are there already, this one, and what is not known of the stage."""
    assert rule.blend is not None
    blade = damage.case.blade
    blends = [one for one in damages if one.case.kind == "blend" and one.case.blade[:2] == blade[:2]]
    there = [one for one in blends if one.placement.may_lie_in(rule.zone)]
    on_blade = 1 + sum(one.case.blade[2] in (blade[2], "") for one in there)
    source = rule.source or ""
    if rule.blend.per_blade_max is not None:
        most = rule.blend.per_blade_max
        known = bool(damage.case.item)
        given = f"{on_blade} with this one" if known else "not known, as the blade is not stated"
        yield Check("Blends on the blade", f"at most {most}", given, known and on_blade <= most, source)
    if rule.blend.per_stage_max is not None:
        most, on_stage = rule.blend.per_stage_max, 1 + len(there)
        stage = stage_of(stages, blade[:2])
        unseen = None if stage is None else stage.unseen
        told = f"{on_stage} with this one"
        if unseen != 0:
            told += ", the whole stage not known" if unseen is None else f", {unseen} blades not seen"
        yield Check("Blends on the stage", f"at most {most}", told, on_stage <= most and unseen == 0, source)


def _after(rule: RuleDocument) -> Iterator[str]:
    check = rule.blend.crack_check if rule.blend is not None else None
    asked = f"check it for cracks: {check}" if check else "check it for cracks as the manual says"
    yield f"After blending: measure the finished blend (kind blend), {asked}, and have it accepted."
