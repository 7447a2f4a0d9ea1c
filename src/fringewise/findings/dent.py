"""Dent: how deep it goes below where the metal was, how long and wide it is, what it displaced."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.core.measured import Measured
from fringewise.findings.combine import Touch, Variances, bound_of, combine
from fringewise.findings.contour import Contour, Grid, contour_at, grid_over
from fringewise.findings.draw import relief_drawing
from fringewise.findings.extremum import Extremum, find_extremum, luck_of
from fringewise.findings.finding import Drawing, Finding, FindingResult
from fringewise.findings.kind import Kind, Look, QuantityMeaning
from fringewise.findings.marks import outline_of
from fringewise.findings.relief import Relief, fit_relief
from fringewise.findings.sheet_area import area_touch
from fringewise.sound.sheet import Sheet

CONTOUR_SHARE: Final = 0.1
_DRAWS: Final = 200
_MARK_DRAWS: Final = 12
_EXCESS_DOUBT: Final = 0.5
_RAISED_SIGMAS: Final = 3.0
_SURE_DEPTH: Final = 3.0
_SIZES: Final = ("depth", "length", "width", "area", "volume")
_OF_CONTOUR: Final = tuple(_SIZES.index(name) for name in ("length", "width", "area"))
_VOLUME: Final = _SIZES.index("volume")


@dataclass(frozen=True, slots=True)
class _Dent:
    """A dent as fitted once: its relief, deepest place, grid and contour."""

    relief: Relief
    deepest: Extremum
    grid: Grid
    heights_mm: Array
    contour: Contour | None

    @property
    def depth_mm(self) -> float:
        return -self.deepest.height_mm

    def sizes(self, heights_mm: Array | None = None, depth_mm: float | None = None) -> Array:
        """Depth, length, width, area and volume; NaN for those of a contour that can't be traced."""
        heights = self.heights_mm if heights_mm is None else heights_mm
        depth = self.depth_mm if depth_mm is None else depth_mm
        contour = self.contour if heights_mm is None else _contour(self.grid, heights, depth)
        volume = -float(np.sum(np.where(self.grid.inside, heights * self.grid.cell_mm2, 0.0)))
        if contour is None:
            return np.array([depth, np.nan, np.nan, np.nan, volume])
        return np.array([depth, contour.length_mm, contour.width_mm, contour.area_mm2, volume])


def measure_dent(look: Look, finding: Finding) -> FindingResult:
    """Measure a dent inside its outline (format 3, ``dent``).

    Raises
    ------
    NotMeasurable
        Where the marks, the surroundings or the inside don't carry it.
    """
    outline = outline_of(look, finding)
    dent = _fit(look, outline)
    excess, noise, restored = _drawn_parts(dent, look)
    marks = _marks_variances(look, finding, outline, dent.relief)
    values = dent.sizes() - excess
    if CONTOUR_SHARE * values[0] < np.sqrt(noise[0] + marks[0] + restored[0]):
        values[list(_OF_CONTOUR)] = np.nan  # the rim, a tenth of the depth down, is lost in the doubt
    touches = _touches(dent)
    bound = bound_of(finding)
    quantities = []
    for n, name in enumerate(_SIZES):
        variances = Variances(noise[n], marks[n], restored[n])
        known = np.isfinite(values[n] + noise[n] + marks[n] + restored[n])
        if name in touches and known and values[n] > 0:
            unit = {"area": "mm²", "volume": "mm³"}.get(name, "mm")
            made = combine(name, unit, values[n], variances, surface=look.surface, touch=touches[name])
            quantities.append(made.with_bound(bound))
    quantities.extend(_raised(look, dent))
    if not quantities or quantities[0].name != "depth":
        raise NotMeasurable("no dent below the restored metal was found inside the outline")
    warnings = _warnings(dent, quantities)
    return FindingResult(finding, tuple(quantities), "", warnings, _drawing(look, dent, quantities[0]))


def _fit(look: Look, outline_px: Array, like: Relief | None = None) -> _Dent:
    relief = fit_relief(look, outline_px, like)
    deepest = find_extremum(relief, look, sign=-1.0)
    grid = grid_over(relief)
    heights = grid.heights(relief.smooth.coefficients)
    contour = _contour(grid, heights, -deepest.height_mm)
    return _Dent(relief, deepest, grid, heights, contour)


def _contour(grid: Grid, heights_mm: Array, depth_mm: float) -> Contour | None:
    lowest = int(np.argmin(np.where(grid.inside, heights_mm, np.inf)))
    seed = np.unravel_index(lowest, heights_mm.shape)
    if depth_mm <= 0:
        return None
    return contour_at(grid, heights_mm, -CONTOUR_SHARE * depth_mm, (int(seed[0]), int(seed[1])))


def _drawn_parts(dent: _Dent, look: Look) -> tuple[Array, Array, Array]:
    """What noise adds to each size, and its variances (5,) from frame noise and from the restored metal.

    Draws start from the fitted relief, so that noise is not counted twice. A contour through noise is longer
    and wider than the true one: what a draw's noise adds on average, the relief's own noise has added once.
    The depth's variances are linear: at an extremum the place does not matter to first order.
    """
    relief, rng = dent.relief, look.rng
    flat = np.broadcast_to(relief.smooth.coefficients, (_DRAWS // 2, len(relief.smooth.coefficients)))
    noisy = relief.smooth.draws(_DRAWS, rng)
    with_noise = _sizes_drawn(dent, noisy, _normal_draws(relief.sheet.noise_covariance, _DRAWS, rng))
    with_model = _sizes_drawn(dent, flat, _normal_draws(relief.sheet.model_covariance, _DRAWS // 2, rng))
    mean, noise = _mean_and_variance(with_noise)
    _, model = _mean_and_variance(with_model)
    excess = mean - dent.sizes()
    excess[_VOLUME] = 0.0
    noise += (_EXCESS_DOUBT * excess) ** 2
    excess[0], luck_variance = luck_of(relief, look, dent.deepest, sign=-1.0)
    noise[0] = relief.noise_variance(*dent.deepest.at)[0] + luck_variance
    model[0] = relief.model_variance(*dent.deepest.at)[0]
    return excess, noise, model


def _sizes_drawn(dent: _Dent, relief_terms: Array, sheet_offsets: Array) -> Array:
    sizes = np.empty((len(relief_terms), len(_SIZES)))
    for n, (terms, offset) in enumerate(zip(relief_terms, sheet_offsets, strict=True)):
        heights = dent.grid.heights(terms, offset)
        sizes[n] = dent.sizes(heights, -float(heights[dent.grid.inside].min()))
    return sizes


def _mean_and_variance(sizes: Array) -> tuple[Array, Array]:
    """Mean and variance of each size over draws (N, 5); NaN where fewer than half of the draws have it."""
    traced = np.isfinite(sizes).sum(axis=0) >= max(len(sizes) // 2, 2)
    mean, variance = np.full(sizes.shape[1], np.nan), np.full(sizes.shape[1], np.nan)
    mean[traced] = np.nanmean(sizes[:, traced], axis=0)
    variance[traced] = np.nanvar(sizes[:, traced], axis=0, ddof=1)
    return mean, variance


def _normal_draws(covariance: Array, count: int, rng: np.random.Generator) -> Array:
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    return np.asarray(rng.standard_normal((count, len(values))) @ root.T)


def _marks_variances(look: Look, finding: Finding, outline: Array, relief: Relief) -> Array:
    """Variances (5,) of the sizes as the outline is placed again and again with the person's scatter."""
    if finding.placing_px == 0:
        return np.zeros(len(_SIZES))
    sizes = []
    for _ in range(_MARK_DRAWS):
        moved = outline + look.rng.normal(0.0, finding.placing_px, outline.shape)
        try:
            sizes.append(_fit(look, moved, relief).sizes())
        except NotMeasurable:
            continue
    if len(sizes) < _MARK_DRAWS // 2:
        raise NotMeasurable(
            "the size hangs on where exactly the outline was placed: mark it again, further out"
        )
    return _mean_and_variance(np.array(sizes))[1]


def _touches(dent: _Dent) -> dict[str, Touch]:
    """Where each size is taken."""
    deepest = dent.deepest
    touches = {
        "depth": Touch.at(deepest.point_mm, -deepest.normal, decoded=True).and_at(
            Touch.at(deepest.foot_mm, deepest.normal, decoded=False)
        )
    }
    contour = dent.contour
    if contour is not None:
        touches["length"] = _between(contour.points_mm, contour.length_ends, contour.along)
        touches["width"] = _between(contour.points_mm, contour.width_ends, contour.across)
        inside = dent.grid.inside & (dent.heights_mm < -CONTOUR_SHARE * dent.depth_mm)
        touches["area"] = area_touch(dent.relief.sheet, *_some_nodes(dent.grid, inside))
    touches["volume"] = _volume_touch(dent)
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


def _volume_touch(dent: _Dent) -> Touch:
    """The volume's points: measured ones push it down, those of the sheet below push it up."""
    i, j = np.nonzero(dent.grid.inside)
    i, j = i[::16], j[::16]
    cell = dent.grid.cell_mm2[i, j, None] * 16
    on_sheet, normal = dent.grid.points_mm[i, j], dent.grid.normals[i, j]
    measured = on_sheet + dent.heights_mm[i, j, None] * normal
    upper = Touch.at(measured, -normal * cell, decoded=False)
    return upper.and_at(Touch.at(on_sheet, normal * cell, decoded=False))


def _raised(look: Look, dent: _Dent) -> list[Measured]:
    """The thrown-up metal, where it stands out of its own doubt."""
    highest = find_extremum(dent.relief, look, sign=1.0)
    luck, luck_variance = luck_of(dent.relief, look, highest, sign=1.0)
    height = highest.height_mm - luck
    noise = float(dent.relief.noise_variance(*highest.at)[0]) + luck_variance
    restored = float(dent.relief.model_variance(*highest.at)[0])
    if height < _RAISED_SIGMAS * np.sqrt(noise + restored):
        return []
    touch = Touch.at(highest.point_mm, highest.normal, decoded=True).and_at(
        Touch.at(highest.foot_mm, -highest.normal, decoded=False)
    )
    variances = Variances(noise, 0.0, restored)
    return [combine("raised", "mm", height, variances, surface=look.surface, touch=touch)]


def _warnings(dent: _Dent, quantities: list[Measured]) -> tuple[str, ...]:
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


def _drawing(look: Look, dent: _Dent, depth: Measured) -> Drawing:
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
