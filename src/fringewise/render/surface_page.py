"""The surface as the probe sees it: shaded by its normals, beside the uncertainty to expect at each point."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

from fringewise.capture.head import Head
from fringewise.core.checks import Array
from fringewise.core.flags import FLAG_TABLE, Flag
from fringewise.core.units import LengthUnit, shown_in
from fringewise.render.caption import origin_words
from fringewise.render.page import (
    FOOT_LINE_IN,
    MARGIN_IN,
    WIDTH_IN,
    Box,
    Page,
    legend_lines,
    new_page,
    text_width_in,
    wrapped,
    write_foot,
    write_head,
)
from fringewise.render.panels import heading
from fringewise.render.photo import Crop, Picture, enlarged, hatch, photo_axes, whole
from fringewise.render.theme import ONE_WAY_MAP, SMALL_PT, TEXT_PT, Theme, ThemeName, theme_named
from fringewise.render.words import THIN, decimals_of, round_step, signed
from fringewise.surface import normals
from fringewise.surface.surface import Surface

_WINDOW_PX: Final = 15
_LIGHT: Final = np.array([-0.45, -0.5, -0.74])
_AMBIENT: Final = 0.18
_TONE: Final = (np.array([38.0, 35.0, 31.0]), np.array([228.0, 222.0, 211.0]))
_BETWEEN_IN: Final = 0.3
_TOP_IN: Final = 1.36
_BAR_IN: Final = 0.16
_PERCENTILES: Final = (0.5, 97.0)
_STEPS: Final = 6
_FOOT_LINES: Final = 3
_APART_IN: Final = 0.1


@dataclass(frozen=True, slots=True)
class _Range:
    """Ends of the uncertainty's scale, and its marks, all in mm."""

    low_mm: float
    high_mm: float
    marks_mm: Array
    decimals: int


def surface_picture(
    surface: Surface,
    *,
    title: str,
    capture_name: str = "",
    standoff_mm: float | None = None,
    head: Head | str | None = None,
    unit: LengthUnit = "mm",
    theme: ThemeName | Theme = "light",
) -> Figure:
    """Draw a surface from the probe's own viewpoint, beside the uncertainty of its points.

    The uncertainty is U = 2 σ of a single point's distance along its ray, from frame noise alone. Pixels that
    may not be measured on are left empty and hatched.

    Parameters
    ----------
    surface : Surface
    title : str
        What the picture is.
    capture_name, standoff_mm, head, unit, theme
        As for `finding_picture`.

    Returns
    -------
    matplotlib Figure
    """
    crop, wide = whole(surface.shape), (WIDTH_IN - 2 * MARGIN_IN - _BETWEEN_IN) / 2
    left = Box(MARGIN_IN, _TOP_IN, wide, wide * crop.height / crop.width)
    right = Box(left.right + _BETWEEN_IN, _TOP_IN, wide, left.height)
    foot = left.bottom + 0.72
    page = new_page(foot + FOOT_LINE_IN * _FOOT_LINES + 0.25, theme_named(theme))
    origin = origin_words(surface, unit, capture_name=capture_name, standoff_mm=standoff_mm, head=head)
    write_head(page, title, origin)
    heading(page, left, "Surface from the probe's viewpoint")
    _field(page, left, crop, shaded(surface, page.theme), surface)
    heading(page, right, "Uncertainty U of single points, along the view")
    limits = _range_of(surface, unit)
    _field(page, right, crop, _coloured(surface, limits, page.theme), surface)
    _draw_bar(page, right, limits, unit)
    page.text(left.left, left.bottom + 0.25, _valid_words(surface), size=TEXT_PT)
    notes = [
        "hatched: no surface to trust",
        "U = 2σ from frame noise; what all points share (calibration) is not in it",
    ]
    write_foot(
        page, foot, legend_lines(notes, *wrapped(_why_lost(surface), SMALL_PT, WIDTH_IN - 2 * MARGIN_IN))
    )
    return page.figure


def shaded(surface: Surface, theme: Theme) -> Picture:
    """Shade a surface by its normals, lit from the upper left (H, W, 3); empty where there is none."""
    normal = normals(surface, _WINDOW_PX)
    light = _LIGHT / np.linalg.norm(_LIGHT)
    lit = _AMBIENT + (1 - _AMBIENT) * np.clip(normal @ light, 0, 1)
    seen = np.isfinite(lit) & surface.usable
    share = np.where(seen, lit, 0.0)[..., None]
    made = _TONE[0] + share * (_TONE[1] - _TONE[0])
    made[~seen] = _rgb(theme.panel)
    return np.asarray(np.rint(made), dtype=np.uint8)


def _range_of(surface: Surface, unit: LengthUnit) -> _Range:
    expanded = 2 * surface.sigma_mm[surface.usable].astype(np.float64)
    low, high = np.percentile(expanded, _PERCENTILES) if expanded.size else (0.0, 1.0)
    one, _ = shown_in(1.0, "mm", unit)
    step = round_step(max(float(high - low), 0.02 * float(high), 1e-9) * one, _STEPS)
    first = np.floor(low * one / step)
    last = max(np.ceil(high * one / step), first + 1)
    marks = np.arange(first, last + 1) * step
    return _Range(marks[0] / one, marks[-1] / one, marks / one, decimals_of(step))


def _coloured(surface: Surface, limits: _Range, theme: Theme) -> Picture:
    share = (2 * surface.sigma_mm - limits.low_mm) / (limits.high_mm - limits.low_mm)
    colors = mpl.colormaps[ONE_WAY_MAP](np.clip(np.nan_to_num(share), 0, 1), bytes=True)[..., :3]
    made = np.array(colors, dtype=np.uint8)
    made[~surface.usable] = _rgb(theme.panel)
    return made


def _field(page: Page, box: Box, crop: Crop, picture: Picture, surface: Surface) -> None:
    axes = photo_axes(page, box, crop, enlarged(picture, crop, box))
    hatch(axes, box, crop, ~surface.usable)


def _draw_bar(page: Page, under: Box, limits: _Range, unit: LengthUnit) -> None:
    axes = page.axes(Box(under.left, under.bottom + 0.1, under.width, _BAR_IN))
    ramp = mpl.colormaps[ONE_WAY_MAP](np.linspace(0, 1, 512), bytes=True)[None, :, :3]
    axes.imshow(ramp, extent=(limits.low_mm, limits.high_mm, 0, 1), aspect="auto", interpolation="nearest")
    axes.set_xlim(limits.low_mm, limits.high_mm)
    top = under.bottom + 0.1 + _BAR_IN
    last = f"≥{THIN}{signed(shown_in(limits.high_mm, 'mm', unit)[0], limits.decimals)}{THIN}{unit}"
    free = under.right - text_width_in(page, last, SMALL_PT) - _APART_IN
    for n, mark in enumerate(limits.marks_mm):
        x = under.left + (mark - limits.low_mm) / (limits.high_mm - limits.low_mm) * under.width
        page.rule(x, top, x, top + 0.05, color=page.theme.ink)
        if n == len(limits.marks_mm) - 1:
            page.text(x, top + 0.2, last, size=SMALL_PT, align="right")
            continue
        words = signed(shown_in(float(mark), "mm", unit)[0], limits.decimals)
        if x + text_width_in(page, words, SMALL_PT) / 2 < free:
            page.text(x, top + 0.2, words, size=SMALL_PT, align="center" if n else "left")


def _valid_words(surface: Surface) -> str:
    return f"{100 * surface.valid_fraction:.0f}{THIN}% of the photo has a surface"


def _why_lost(surface: Surface) -> str:
    """Name the commonest reasons why pixels have no surface to trust."""
    total = max(surface.flags.size, 1)
    shares = [
        (float(np.count_nonzero(surface.flags & row.flag)) / total, row.words.split(":")[0])
        for row in FLAG_TABLE
        if row.bars_use and row.flag is not Flag.NO_SURFACE
    ]
    named = [
        f"{words} {100 * share:.0f}{THIN}%" for share, words in sorted(shares, reverse=True) if share >= 0.005
    ]
    return f"flagged, of all pixels: {', '.join(named[:4])}" if named else "no pixel is flagged"


def _rgb(color: str) -> tuple[int, int, int]:
    return int(color[1:3], 16), int(color[3:5], 16), int(color[5:7], 16)
