"""A relief's depth, contour sizes and volume with their uncertainty, by both routes.

The drawn route evaluates the extremum and the contour anew in every draw; only the sheet below is linearised.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.core.measured import Measured
from fringewise.findings.blocks import Block, Wanted
from fringewise.findings.combine import Touch
from fringewise.findings.contour import Contour, Grid
from fringewise.findings.extremum import Extremum
from fringewise.findings.kind import Look
from fringewise.findings.propagate import Luck, propagate
from fringewise.findings.relief import Relief
from fringewise.findings.relief_draws import CoarseGrid, term_draws
from fringewise.findings.relief_marks import place_again
from fringewise.findings.relief_rows import size_rows
from fringewise.sound.smooth import Smooth

SIZES: Final = ("depth", "length", "width", "area", "volume")
_UNITS: Final = ("mm", "mm", "mm", "mm²", "mm³")
_LUCKS: Final[tuple[Luck, ...]] = ("centred", "taken off", "taken off", "taken off", "centred")
_PLACINGS: Final = 48
_LEAST_PLACINGS: Final = 24
_SMOOTHING_DOUBT: Final = 2.0


@dataclass(frozen=True, slots=True)
class Bowl:
    """A relief as fitted once, with its deepest place, the grid over it, and the contour.

    Attributes
    ----------
    relief : Relief
    deepest : Extremum
    grid : Grid
    contour : Contour, optional
    share : float
        Share of the depth at which the contour runs.
    sizes : (5,) array
        `SIZES`; NaN for those of a contour that can't be traced.
    """

    relief: Relief
    deepest: Extremum
    grid: Grid
    contour: Contour | None
    share: float
    sizes: Array


def sizes_with_doubt(
    look: Look,
    bowl: Bowl,
    touches: Mapping[str, Touch],
    outline_px: Array,
    placing_px: float,
) -> dict[str, Measured]:
    """Give the sizes that can be had, by name, each with its budget.

    Parameters
    ----------
    look : Look
    bowl : Bowl
    touches : mapping of str to Touch
        Where each size is taken.
    outline_px : (N, 2) array
        As marked.
    placing_px : float
    """
    relief, coarse = bowl.relief, CoarseGrid.of(bowl.grid)
    own, of_sheet = size_rows(relief, bowl.deepest, bowl.grid, bowl.contour, bowl.share)
    terms = relief.smooth.coefficients
    flat = np.zeros(relief.sheet.coefficients.size)
    finer = bowl.sizes - coarse.sizes(coarse.heights(terms[None], flat[None]), bowl.share)[0]

    def sizes(inputs: tuple[Array, ...]) -> Array:
        off, noise, model = inputs
        heights = coarse.heights(off + terms.astype(off.dtype), noise + model)
        return np.asarray(coarse.sizes(heights, bowl.share) + finer)

    smooth = relief.smooth
    blocks = [
        Block(
            "frame noise",
            np.zeros(terms.size),
            draw=lambda rng, count: term_draws(smooth, count, rng),
            variance=smooth.variance,
            draw_is_normal=True,
        ),
        Block.of_covariance("frame noise", flat, relief.sheet.noise_covariance),
        Block.of_covariance("restored metal", flat, relief.sheet.model_covariance),
    ]
    nowhere = Touch.at(np.zeros((0, 3)), np.zeros((0, 3)), decoded=False)
    wanted = [
        Wanted(name, unit, touches.get(name, nowhere)) for name, unit in zip(SIZES, _UNITS, strict=True)
    ]
    marks = _marks_variances(look, bowl, coarse, outline_px, placing_px)
    found = propagate(
        sizes,
        blocks,
        wanted,
        rng=look.rng,
        surface=look.surface,
        gradient=[own, of_sheet, of_sheet],
        more={"marks": marks, "restored metal": _smoothing_variances(smooth, own)},
        many=True,
        draws=look.draws,
        luck=_LUCKS,
    )
    return {one.name: one for one in found}


def _smoothing_variances(smooth: Smooth, own: Array) -> Array:
    """Variances (5,) from how much is smoothed, half as much or twice: of the area alone.

    How smooth the relief is, is known from its noise to such a factor only. A contour that runs where the
    wall leaves the sound metal moves with it; the other sizes hardly do, or are told otherwise (luck).
    """
    variances = np.zeros(len(SIZES))
    area = SIZES.index("area")
    by_smoothness = float(own[area] @ smooth.by_smoothness())
    variances[area] = (math.log(_SMOOTHING_DOUBT) * np.nan_to_num(by_smoothness)) ** 2
    return variances


def _marks_variances(
    look: Look, bowl: Bowl, coarse: CoarseGrid, outline_px: Array, placing_px: float
) -> Array:
    """Variances (5,) of the sizes as the outline is placed again; NaN for those that most placings lose."""
    if placing_px == 0:
        return np.zeros(len(SIZES))
    placed = place_again(look, bowl.relief, outline_px, placing_px, _PLACINGS)
    terms = bowl.relief.smooth.coefficients[None]
    sizes = np.full((_PLACINGS, len(SIZES)), np.nan)
    for n, (outline, offset) in enumerate(zip(placed.outlines, placed.sheet_offsets, strict=True)):
        inside = coarse.inside_of(outline)
        if inside.inside.any():
            sizes[n] = inside.sizes(inside.heights(terms, offset[None]), bowl.share)[0]
    had = np.isfinite(sizes).sum(axis=0) >= _LEAST_PLACINGS
    variances = np.full(len(SIZES), np.nan)
    variances[had] = np.nanvar(sizes[:, had], axis=0, ddof=1)
    return variances
