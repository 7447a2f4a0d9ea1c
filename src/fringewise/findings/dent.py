"""Dent: how deep it goes below where the metal was, how long and wide it is, what it displaced."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.core.measured import Measured
from fringewise.findings.combine import Touch, bound_of, noise_source
from fringewise.findings.contour import Contour, Grid, contour_at, grid_over
from fringewise.findings.draw import relief_drawing
from fringewise.findings.extremum import find_extremum, luck_of
from fringewise.findings.finding import Drawing, Finding, FindingResult
from fringewise.findings.kind import Kind, Look, QuantityMeaning
from fringewise.findings.marks import outline_of
from fringewise.findings.raised import raised_metal
from fringewise.findings.relief import Relief, fit_relief
from fringewise.findings.relief_sizes import Bowl, sizes_with_doubt
from fringewise.findings.sheet_area import area_touch
from fringewise.sound.sheet import Sheet

CONTOUR_SHARE: Final = 0.1
_OF_CONTOUR: Final = ("length", "width", "area")
_SURE_DEPTH: Final = 3.0


def measure_dent(look: Look, finding: Finding) -> FindingResult:
    """Measure a dent inside its outline (format 3, ``dent``).

    Raises
    ------
    NotMeasurable
        Where the marks, the surroundings or the inside don't carry it.
    """
    outline = outline_of(look, finding)
    dent = fit_dent(look, outline)
    found = sizes_with_doubt(look, dent, _touches(dent), outline, finding.placing_px)
    if "depth" not in found:
        raise NotMeasurable(
            "the size hangs on where exactly the outline was placed: mark it again, further out"
        )
    luck, luck_variance = luck_of(dent.relief, look, dent.deepest, sign=-1.0)
    depth = found["depth"].less(luck, noise_source(look.surface), luck_variance)
    if CONTOUR_SHARE * depth.value < depth.standard_uncertainty:
        for name in _OF_CONTOUR:
            found.pop(name, None)  # the rim, a tenth of the depth down, is lost in the doubt
    found["depth"] = depth
    bound = bound_of(finding)
    quantities = [one.with_bound(bound) for one in found.values() if one.value > 0]
    quantities.extend(raised_metal(look, dent.relief))
    if not quantities or quantities[0].name != "depth":
        raise NotMeasurable("no dent below the restored metal was found inside the outline")
    warnings = _warnings(dent, quantities)
    return FindingResult(finding, tuple(quantities), "", warnings, _drawing(look, dent, quantities[0]))


def fit_dent(look: Look, outline_px: Array) -> Bowl:
    """Fit a dent inside an outline (N, 2): its relief, deepest place and contour, and its sizes as found."""
    return bowl_of(look, fit_relief(look, outline_px))


def bowl_of(look: Look, relief: Relief) -> Bowl:
    """Find the deepest place and the contour of a relief."""
    deepest = find_extremum(relief, look, sign=-1.0)
    grid = grid_over(relief)
    heights = grid.heights(relief.smooth.coefficients)
    depth = -deepest.height_mm
    contour = _contour(grid, heights, depth)
    volume = -float(np.sum(np.where(grid.inside, heights * grid.cell_mm2, 0.0)))
    of_contour = (np.nan,) * 3 if contour is None else (contour.length_mm, contour.width_mm, contour.area_mm2)
    return Bowl(relief, deepest, grid, contour, CONTOUR_SHARE, np.array([depth, *of_contour, volume]))


def _contour(grid: Grid, heights_mm: Array, depth_mm: float) -> Contour | None:
    lowest = int(np.argmin(np.where(grid.inside, heights_mm, np.inf)))
    seed = np.unravel_index(lowest, heights_mm.shape)
    if depth_mm <= 0:
        return None
    return contour_at(grid, heights_mm, -CONTOUR_SHARE * depth_mm, (int(seed[0]), int(seed[1])))


def _touches(dent: Bowl) -> dict[str, Touch]:
    """Where each size is taken."""
    deepest = dent.deepest
    heights = dent.grid.heights(dent.relief.smooth.coefficients)
    touches = {
        "depth": Touch.at(deepest.point_mm, -deepest.normal, decoded=True).and_at(
            Touch.at(deepest.foot_mm, deepest.normal, decoded=False)
        )
    }
    contour = dent.contour
    if contour is not None:
        touches["length"] = _between(contour.points_mm, contour.length_ends, contour.along)
        touches["width"] = _between(contour.points_mm, contour.width_ends, contour.across)
        inside = dent.grid.inside & (heights < CONTOUR_SHARE * deepest.height_mm)
        touches["area"] = area_touch(dent.relief.sheet, *_some_nodes(dent.grid, inside))
    touches["volume"] = _volume_touch(dent, heights)
    return touches


def _between(points_mm: Array, ends: tuple[int, int], direction: Array) -> Touch:
    both = points_mm[list(ends)]
    return Touch(both, np.vstack([-direction, direction]), np.ones(2, dtype=bool))


def _some_nodes(grid: Grid, inside: npt.NDArray[np.bool_]) -> tuple[Array, Array, Array]:
    """Every fourth node of the grid inside, with the weight (area of x by y) that it stands for."""
    chosen = np.zeros_like(inside)
    chosen[::4, ::4] = inside[::4, ::4]
    if not chosen.any():
        chosen = inside
    i, j = np.nonzero(chosen)
    weight = (grid.x[1] - grid.x[0]) * (grid.y[1] - grid.y[0]) * inside.sum() / max(chosen.sum(), 1)
    return grid.x[i], grid.y[j], np.full(len(i), weight)


def _volume_touch(dent: Bowl, heights_mm: Array) -> Touch:
    """The volume's points: measured ones push it down, those of the sheet below push it up."""
    i, j = np.nonzero(dent.grid.inside)
    i, j = i[::16], j[::16]
    cell = dent.grid.cell_mm2[i, j, None] * 16
    on_sheet, normal = dent.grid.points_mm[i, j], dent.grid.normals[i, j]
    measured = on_sheet + heights_mm[i, j, None] * normal
    upper = Touch.at(measured, -normal * cell, decoded=False)
    return upper.and_at(Touch.at(on_sheet, normal * cell, decoded=False))


def _warnings(dent: Bowl, quantities: list[Measured]) -> tuple[str, ...]:
    said = list(sheet_warnings(dent.relief.sheet, dent.relief))
    if quantities[0].value < _SURE_DEPTH * quantities[0].expanded_uncertainty:
        said.append("the depth is hardly greater than its uncertainty: this may be sound metal; move nearer")
    if "length" not in {one.name for one in quantities}:
        said.append("length, width and area are left out: the dent's rim can't be told from noise")
    if dent.relief.seen < 0.9:
        said.append(f"{100 * (1 - dent.relief.seen):.0f} % of the inside has no surface that can be trusted")
    return tuple(said)


def sheet_warnings(sheet: Sheet, relief: Relief) -> list[str]:
    """Say what speaks against a restored sheet."""
    said = []
    lost = 1 - float(sheet.kept.mean())
    if lost > 0.1:
        said.append(f"{100 * lost:.0f} % of the metal round it was left out: it may be damaged too")
    ring = relief.ring_points
    middle_u, middle_v = relief.points.u.mean(), relief.points.v.mean()
    turn = np.arctan2(ring.v - middle_v, ring.u - middle_u)[sheet.kept]
    sides = np.unique(np.floor((turn + np.pi) / (np.pi / 6)).astype(int) % 12)
    if len(sides) < 10:
        said.append("sound metal was seen on one side only: the restored surface is carried on over the rest")
    return said


def _drawing(look: Look, dent: Bowl, depth: Measured) -> Drawing:
    return relief_drawing(look, dent.relief, dent.deepest, dent.contour, depth.expanded_uncertainty)


KIND: Final = Kind(
    "dent",
    (
        QuantityMeaning("depth", "mm", "greatest distance below the restored metal, along its normal"),
        QuantityMeaning(
            "length", "mm", "greatest straight distance across the contour at a tenth of the depth"
        ),
        QuantityMeaning("width", "mm", "extent of that contour square to its length"),
        QuantityMeaning("area", "mm²", "restored surface inside that contour"),
        QuantityMeaning("volume", "mm³", "deviation integrated over the restored surface inside the marks"),
        QuantityMeaning("raised", "mm", "greatest height of thrown-up metal, where there is any"),
    ),
    measure_dent,
)
