"""Edge nick: metal missing at an edge, against the sound edge carried across."""

from __future__ import annotations

from typing import Final

from fringewise.findings.bitten import TODAYS_EDGE, bitten_quantities, edge_drawing
from fringewise.findings.edge_damage import edge_damage, edge_model, edge_warnings
from fringewise.findings.finding import Finding, FindingResult
from fringewise.findings.kind import Kind, Look, QuantityMeaning


def measure_edge_nick(look: Look, finding: Finding) -> FindingResult:
    """Measure a nick between two marks on the sound edge (format 3, ``edge_nick``).

    Raises
    ------
    NotMeasurable
        The edge can't be found or carried across, in words for the technician.
    """
    damage = edge_damage(look, finding.marks["edge_px"], finding.placing_px)
    model = edge_model(look, damage)
    quantities, said = bitten_quantities(look, finding, damage, model)
    warnings = (TODAYS_EDGE, *edge_warnings(damage, model), *said)
    return FindingResult(finding, quantities, "", warnings, edge_drawing(look, damage, model))


KIND: Final = Kind(
    "edge_nick",
    (
        QuantityMeaning("depth", "mm", "greatest distance from the damage's outline to the restored edge"),
        QuantityMeaning("length", "mm", "arc of the restored edge between the outline's outermost feet"),
        QuantityMeaning("lost_area", "mm²", "area of the restored sheet between restored edge and outline"),
    ),
    measure_edge_nick,
)
