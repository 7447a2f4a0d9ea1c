"""The kinds that can be measured, and measuring a finding by its kind."""

from __future__ import annotations

from typing import Final

from fringewise.core.errors import MarksAtFault, NotMeasurable
from fringewise.findings import (
    area,
    blend,
    corner_loss,
    crack,
    dent,
    distance,
    edge_bend,
    edge_nick,
    flat,
    gouge,
    hole,
    object_seen,
    observation,
    offset,
    path,
    sphere,
    step,
)
from fringewise.findings.finding import Finding, FindingResult
from fringewise.findings.kind import Kind, Look

KINDS: Final[dict[str, Kind]] = {
    kind.name: kind
    for kind in (
        distance.KIND,
        offset.KIND,
        area.KIND,
        dent.KIND,
        path.KIND,
        crack.KIND,
        gouge.KIND,
        hole.KIND,
        step.KIND,
        flat.KIND,
        sphere.KIND,
        edge_nick.KIND,
        edge_bend.KIND,
        blend.KIND,
        corner_loss.KIND,
        observation.KIND,
        object_seen.KIND,
    )
}
"""Each kind by its name in format 3; a kind is one file and one entry here."""

_MOVED: Final = "the head or the part moved between the frames: hold still and capture again"
_MOTION_UNKNOWN: Final = (
    "whether the head or the part moved could not be judged: use 4 or more shifts, or more sets of fringes"
)
_ESTIMATED: Final = "the head gives no noise model: the noise was estimated from the frames"


def measure_finding(look: Look, finding: Finding) -> FindingResult:
    """Measure one finding; what can't be had honestly becomes its ``reason``, never an error.

    Parameters
    ----------
    look : Look
    finding : Finding

    Returns
    -------
    FindingResult
        With quantities, or with the reason why there are none.
    """
    kind = KINDS.get(finding.kind)
    if kind is None:
        return FindingResult(finding, reason=f"this version does not measure the kind '{finding.kind}' yet")
    try:
        result = kind.measure(look, finding)
    except NotMeasurable as reason:
        return FindingResult(finding, reason=str(reason), marks_at_fault=isinstance(reason, MarksAtFault))
    surface = look.surface
    said = list(result.warnings)
    if surface.motion is not None and surface.motion.moved:
        said.append(_MOVED)
    elif surface.motion is not None and not surface.motion.judged:
        said.append(_MOTION_UNKNOWN)
    if surface.uncertainty_from == "its source":
        said.append("uncertainty as stated by its source")
    elif surface.noise_source != "head":
        said.append(_ESTIMATED)
    return FindingResult(finding, result.quantities, result.reason, tuple(said), result.drawing)
