"""What lists show of inspections and findings, made from entries only: it can always be made again."""

from __future__ import annotations

from dataclasses import dataclass

from fringewise.record.inspection import FoundFinding, Inspection

__all__ = ["FoundFinding", "InspectionOverview", "overview"]


@dataclass(frozen=True, slots=True)
class InspectionOverview:
    """One line of the list of inspections."""

    identity: str
    order: str
    engine: str
    engine_type: str
    state: str
    outcome: str
    looks: int
    looks_left: int
    findings: int
    invented: bool
    begun_at: str
    changed_at: str


def overview(inspection: Inspection, stamps: tuple[str, str]) -> InspectionOverview:
    """Sum up an inspection; `stamps` are the times of its first and last entry as the archive writes them."""
    card = inspection.about.card
    return InspectionOverview(
        identity=inspection.identity,
        order=card.order,
        engine=card.engine.serial,
        engine_type=card.engine.type,
        state=inspection.state,
        outcome=inspection.outcome,
        looks=len(inspection.required),
        looks_left=len(inspection.left),
        findings=len(inspection.all_findings),
        invented=bool(inspection.about.invented),
        begun_at=stamps[0],
        changed_at=stamps[1],
    )
