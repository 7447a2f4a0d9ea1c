"""Gouge: how deep it goes below where the metal was, how high metal was thrown up, how long it is."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from fringewise.core.errors import NotMeasurable
from fringewise.core.measured import Bound, Measured
from fringewise.findings.combine import Variances, bound_of, combine
from fringewise.findings.corridor import Corridor, corridor_of
from fringewise.findings.dent import sheet_warnings
from fringewise.findings.draw import relief_drawing
from fringewise.findings.extremum import Extremum, find_extremum, find_luck
from fringewise.findings.finding import Drawing, Finding, FindingResult
from fringewise.findings.kind import Kind, Look, QuantityMeaning
from fringewise.findings.line_on_surface import line_on
from fringewise.findings.path import joined, path_marks, path_quantities
from fringewise.findings.raised import height_touch, raised_metal
from fringewise.findings.relief import Relief, Run, fit_relief

_SPAN_SHARE: Final = 0.15
_SPAN_PX: Final = (1.8, 3.0)
_MARK_DRAWS: Final = 3
_SURE_DEPTH: Final = 3.0
_NARROW_PX: Final = 8.0


def measure_gouge(look: Look, finding: Finding) -> FindingResult:
    """Measure a gouge along its path (format 3, ``gouge``); how wide it is, the heights say.

    Raises
    ------
    NotMeasurable
        Where the marks, the surroundings or the inside don't carry it.
    """
    marks = path_marks(look, finding)
    corridor = corridor_of(look, marks)
    relief = fit_relief(look, corridor.outline_px(), run=_run(look, corridor))
    deepest = find_extremum(relief, look, sign=-1.0)
    depth = _depth(look, finding, corridor, relief, deepest)
    line = line_on(relief.sheet, joined(look, marks))
    length = path_quantities(look, finding, marks, line)[0].with_bound(bound_of(finding))
    raised = tuple(one.with_bound(bound_of(finding)) for one in raised_metal(look, relief))
    warnings = _warnings(finding, corridor, relief, depth)
    drawing = _drawing(look, corridor, relief, deepest, depth)
    return FindingResult(finding, (depth, length, *raised), "", warnings, drawing)


def _run(look: Look, corridor: Corridor) -> Run:
    """The direction from end to end, and spans that follow the gouge's section."""
    ends = corridor.line_px[[0, -1]]
    x, y = look.rays.direction(ends[:, 0], ends[:, 1])
    way = np.array([x[1] - x[0], y[1] - y[0]])
    length = float(np.linalg.norm(way))
    pixel = length / float(np.linalg.norm(ends[1] - ends[0]))
    return Run(way / length, pixel * float(np.clip(_SPAN_SHARE * corridor.half_px, *_SPAN_PX)))


def _depth(look: Look, finding: Finding, corridor: Corridor, relief: Relief, deepest: Extremum) -> Measured:
    luck = find_luck(relief, look, deepest, sign=-1.0)
    value = -deepest.height_mm - luck.share_mm
    noise = float(relief.sheet_noise_variance(*deepest.at)[0]) + luck.spread + luck.doubt
    restored = float(relief.model_variance(*deepest.at)[0])
    marks = _marks_variance(look, finding, corridor, relief, deepest)
    if value <= 0:
        raise NotMeasurable("no gouge below the restored metal was found along the path")
    variances = Variances(noise, marks, restored)
    touch = height_touch(deepest, sign=-1.0)
    made = combine("depth", "mm", value, variances, surface=look.surface, touch=touch)
    return made.with_bound(_depth_bound(finding))


def _depth_bound(finding: Finding) -> Bound:
    """A sharp bottom is deeper than a smooth surface through pixels can follow."""
    return "at_least" if finding.sharp_bottom == "yes" else bound_of(finding)


def _marks_variance(
    look: Look, finding: Finding, corridor: Corridor, relief: Relief, deepest: Extremum
) -> float:
    """Variance of the depth as the path is placed again with the person's scatter, the place kept."""
    if finding.placing_px == 0:
        return 0.0
    square = 0.0
    for _ in range(_MARK_DRAWS):
        moved = corridor.path_px + look.rng.normal(0.0, finding.placing_px, corridor.path_px.shape)
        again = fit_relief(look, replace(corridor, path_px=moved).outline_px(), relief)
        square += (float(again.smooth.values(*deepest.at)[0]) - deepest.height_mm) ** 2
    return square / _MARK_DRAWS


def _warnings(finding: Finding, corridor: Corridor, relief: Relief, depth: Measured) -> tuple[str, ...]:
    said = sheet_warnings(relief.sheet, relief)
    if depth.value < _SURE_DEPTH * depth.expanded_uncertainty:
        said.append("the depth is hardly greater than its uncertainty: this may be sound metal; move nearer")
    if finding.sharp_bottom == "yes":
        said.append("a sharp bottom is narrower than the pixels can follow: the depth is a least depth")
    elif finding.sharp_bottom == "not known" and corridor.half_px < _NARROW_PX:
        said.append("the gouge is few pixels wide: if its bottom is sharp it is deeper; move nearer")
    if relief.seen < 0.9:
        said.append(f"{100 * (1 - relief.seen):.0f} % of the inside has no surface that can be trusted")
    return tuple(said)


def _drawing(look: Look, corridor: Corridor, relief: Relief, deepest: Extremum, depth: Measured) -> Drawing:
    way = corridor.path_px[-1] - corridor.path_px[0]
    across = np.array([-way[1], way[0]]) / float(np.linalg.norm(way))
    return relief_drawing(look, relief, deepest, None, depth.expanded_uncertainty, across)


KIND: Final = Kind(
    "gouge",
    (
        QuantityMeaning("depth", "mm", "greatest distance below the restored metal, along its normal"),
        QuantityMeaning("length", "mm", "length of the marked path along the restored surface"),
        QuantityMeaning("raised", "mm", "greatest height of thrown-up metal, where there is any"),
    ),
    measure_gouge,
)
