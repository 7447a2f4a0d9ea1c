"""Figures for a report: a finding's fields on white, and the damage in space, turned from the probe's."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, cast

import cv2
import numpy as np
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure

from fringewise.core.checks import Array
from fringewise.core.units import LengthUnit
from fringewise.findings.finding import FindingResult
from fringewise.render.finding_panels import body_height_in, draw_body, line_of
from fringewise.render.marks import anchor_points
from fringewise.render.page import FOOT_LINE_IN, MARGIN_IN, WIDTH_IN, Box, legend_lines, new_page, write_foot
from fringewise.render.panels import Panels
from fringewise.render.photo import shown_photo
from fringewise.render.theme import SMALL_PT, TEXT_PT, Theme
from fringewise.render.words import length_words, round_step
from fringewise.surface.surface import Surface

PRINT: Final = Theme("light", "#ffffff", "#efece6", "#c9c3ba", "#1d1b19", "#5d5853", "#00707a", "#6fe3e1")
"""For paper: white, so that nothing is printed where nothing is said."""

_ACROSS: Final = 110
_CALM_SHARE: Final = 45.0
_ROOM_ROUND: Final = 1.7
_LEAST_HALF_PX: Final = 40.0
_TURN_RAD: Final = np.radians(38.0)
_TIP_RAD: Final = np.radians(-22.0)
_RELIEF_SHARE: Final = 0.14
_MOST_TIMES: Final = 30
_LIGHT: Final = np.array([-0.45, -0.6, -0.66])
_SPACE_HIGH_IN: Final = 4.2


def finding_figure(surface: Surface, result: FindingResult, unit: LengthUnit = "mm") -> Figure:
    """Draw a finding's fields without head or values, which the report's own text gives.

    The photo with marks and sizes, the deviation map with its scale and the section where there are any.
    """
    shown, line = shown_photo(surface), line_of(surface, result)
    body = body_height_in(result, line)
    page = new_page(body + FOOT_LINE_IN * 2, PRINT)
    panels = Panels(page, surface, result, shown, unit)
    draw_body(panels, line, 0.1)
    write_foot(page, body, legend_lines(panels.legend)[:2])
    return page.figure


@dataclass(frozen=True, slots=True)
class _Patch:
    """A patch of the surface on a coarse grid: points (h, w, 3) with NaN, their base, heights over it."""

    points: Array
    base: Array
    off: Array
    normal: Array


def space_figure(surface: Surface, result: FindingResult, unit: LengthUnit = "mm") -> Figure | None:
    """Draw the damage in space, turned about itself away from the probe's view; None where little is seen.

    Heights over a smooth base are exaggerated by a round factor that is written on the picture.
    """
    patch = _patch_round(surface, result)
    if patch is None:
        return None
    times = _exaggeration(patch)
    raised = patch.base + times * patch.off[..., None] * patch.normal
    centre = np.nanmean(raised.reshape(-1, 3), axis=0)
    turned = (raised - centre) @ _turning().T
    page = new_page(_SPACE_HIGH_IN + 0.5, PRINT)
    page.text(MARGIN_IN, 0.3, "In space, turned from the probe's view", size=TEXT_PT, weight="bold")
    words = "smoothed for the eye" + ("" if times == 1 else f", height × {times:g}")
    page.text(WIDTH_IN - MARGIN_IN, 0.3, words, size=SMALL_PT, align="right")
    axes = page.axes(Box(MARGIN_IN, 0.45, WIDTH_IN - 2 * MARGIN_IN, _SPACE_HIGH_IN - 0.2))
    corners, shades = _facets(turned)
    grey = np.column_stack([0.30 + 0.62 * shades, 0.29 + 0.61 * shades, 0.28 + 0.585 * shades])
    axes.add_collection(
        PolyCollection(cast("Any", corners), facecolors=grey, edgecolors=grey, linewidths=0.4)
    )
    low, high = corners.reshape(-1, 2).min(axis=0), corners.reshape(-1, 2).max(axis=0)
    axes.set_xlim(low[0], high[0])
    axes.set_ylim(high[1], low[1])
    axes.set_aspect("equal")
    length = round_step(0.45 * (high[0] - low[0]), 1) / 2
    axes.plot([low[0], low[0] + length], [high[1]] * 2, color=PRINT.ink, linewidth=1.5, clip_on=False)
    axes.text(
        low[0] + length, high[1], "  " + length_words(length, unit, 2), fontsize=SMALL_PT, color=PRINT.ink,
        verticalalignment="center",
    )  # fmt: skip
    return page.figure


def _patch_round(surface: Surface, result: FindingResult) -> _Patch | None:
    marks = anchor_points(result)
    if not len(marks):
        return None
    middle = (marks.min(axis=0) + marks.max(axis=0)) / 2
    half = max(_ROOM_ROUND * float(np.ptp(marks, axis=0).max()) / 2, _LEAST_HALF_PX)
    low = np.maximum(np.floor(middle - half), 0).astype(int)
    high = np.minimum(np.ceil(middle + half), np.array(surface.shape[::-1])).astype(int)
    window = np.s_[low[1] : high[1], low[0] : high[0]]
    part = np.where(surface.usable[window][..., None], surface.xyz_mm[window], np.nan)
    step = max(1, max(part.shape[:2]) // _ACROSS)
    points = _averaged(part.astype(np.float64), step)
    seen = np.isfinite(points[..., 0])
    if seen.sum() < 60:
        return None
    centre = points[seen].mean(axis=0)
    ways = np.linalg.svd(points[seen] - centre, full_matrices=False)[2]
    normal = ways[2] * -np.sign(ways[2, 2])  # towards the head
    flat = (points - centre) @ ways[:2].T
    height = (points - centre) @ normal
    base = _base(flat, height, seen)
    off = _calmed(height - base, seen, max(points.shape[:2]) / _CALM_SHARE)
    return _Patch(points, points + (base - height)[..., None] * normal, off, normal)


def _averaged(part: Array, step: int) -> Array:
    """Means over squares of `step` pixels; NaN where most of a square has no surface."""
    high, wide = part.shape[0] // step, part.shape[1] // step
    squares = part[: high * step, : wide * step].reshape(high, step, wide, step, 3)
    count = np.isfinite(squares[..., 0]).sum(axis=(1, 3))
    total = np.nansum(squares, axis=(1, 3))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where((2 * count > step * step)[..., None], total / count[..., None], np.nan)


def _calmed(off: Array, seen: Array, spread: float) -> Array:
    """Smooth heights for the eye (a Gaussian of `spread` grid steps); no number comes from them."""
    weight = cv2.GaussianBlur(seen.astype(np.float64), (0, 0), spread)
    total = cv2.GaussianBlur(np.where(seen, off, 0.0), (0, 0), spread)
    return np.where(seen, total / np.maximum(weight, 1e-9), np.nan)


def _base(flat: Array, height: Array, seen: Array) -> Array:
    """Smooth base under the patch: a quadratic that the damage hardly pulls."""
    x, y = flat[..., 0], flat[..., 1]
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    weights = np.ones(int(seen.sum()))
    solved = np.zeros(6)
    for _ in range(8):
        solved = np.linalg.lstsq(terms[seen] * weights[:, None], height[seen] * weights, rcond=None)[0]
        off = height[seen] - terms[seen] @ solved
        spread = 1.4826 * np.median(np.abs(off)) + 1e-9
        weights = np.sqrt(1 / (1 + (off / (2 * spread)) ** 2))
    return np.asarray(terms @ solved)


def _exaggeration(patch: _Patch) -> float:
    wide = float(np.nanmax(np.ptp(patch.points.reshape(-1, 3)[np.isfinite(patch.off.ravel())], axis=0)))
    tall = float(np.nanpercentile(np.abs(patch.off), 99.5))
    wanted = _RELIEF_SHARE * wide / max(tall, 1e-6)
    return float(np.clip(np.floor(wanted), 1, _MOST_TIMES))


def _turning() -> Array:
    a, b = _TURN_RAD, _TIP_RAD
    about_y = np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
    about_x = np.array([[1, 0, 0], [0, np.cos(b), -np.sin(b)], [0, np.sin(b), np.cos(b)]])
    return np.asarray(about_x @ about_y)


def _facets(points: Array) -> tuple[Array, Array]:
    """Squares (n, 4, 2) from far to near, and how bright each is (n,)."""
    a, b, c, d = points[:-1, :-1], points[:-1, 1:], points[1:, 1:], points[1:, :-1]
    whole = np.isfinite(a[..., 0] + b[..., 0] + c[..., 0] + d[..., 0])
    squares = np.stack([a, b, c, d], axis=2)[whole]
    normal = np.cross(squares[:, 2] - squares[:, 0], squares[:, 3] - squares[:, 1])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True) + 1e-12
    normal *= -np.sign(normal[:, 2:3])
    light = _LIGHT / np.linalg.norm(_LIGHT)
    shades = np.clip(normal @ light, 0.0, 1.0)
    order = np.argsort(-squares[..., 2].mean(axis=1))
    return squares[order][..., :2], shades[order]
