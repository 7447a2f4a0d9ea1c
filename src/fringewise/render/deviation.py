"""The deviation from the restored metal over the photo: untouched within U, one hue below, another above."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from matplotlib.axes import Axes

from fringewise.core.checks import Array
from fringewise.core.units import LengthUnit, decimals_for, shown_in
from fringewise.findings.finding import Drawing
from fringewise.render.page import Box, Page, lettering
from fringewise.render.photo import Crop, Picture, page_size
from fringewise.render.theme import ABOVE, BELOW, HAIR_PT, SMALL_PT, Theme
from fringewise.render.words import THIN, decimals_of, length_words, number_words, round_step, signed
from fringewise.surface.surface import Surface

_COVER: Final = (0.6, 0.95)
_NEAR_PX: Final = 2
_STEPS: Final = 5
_FINE: Final = 5
_ROOM_SHARE: Final = 0.04
_BAR_IN: Final = 0.2


@dataclass(frozen=True, slots=True)
class Scale:
    """The scale of a deviation map, lengths in mm.

    Attributes
    ----------
    expanded_mm : float
        U: within it the photo is left as it is.
    full_mm : float
        Deviation, either way, at which the colour is fullest.
    lowest_mm, highest_mm : float
        The scale's ends: at or beyond what is on the map.
    step_mm : float
        Of its marks, and of the lines of equal deviation.
    """

    expanded_mm: float
    full_mm: float
    lowest_mm: float
    highest_mm: float
    step_mm: float

    @property
    def marks_mm(self) -> Array:
        """The lengths at which the scale is marked: its ends, 0, and round steps that leave room for them."""
        fixed = [end for end in (self.lowest_mm, self.highest_mm) if end != 0]
        low, high = np.ceil(self.lowest_mm / self.step_mm), np.floor(self.highest_mm / self.step_mm)
        room = _ROOM_SHARE * (self.highest_mm - self.lowest_mm)
        steps = [n for n in np.arange(low, high + 1) * self.step_mm if all(abs(n - f) > room for f in fixed)]
        return np.array(sorted([*fixed, *steps]))


def seen_deviation(surface: Surface, drawing: Drawing) -> Array:
    """Give the map's deviation (h, w) in mm, NaN where no usable point lies within two pixels.

    The smooth deviation carries on over pixels without a surface; a picture must not.
    """
    assert drawing.deviation_mm is not None
    first_u, first_v = drawing.deviation_corner_px
    height, width = drawing.deviation_mm.shape
    side = 2 * _NEAR_PX + 1
    near = cv2.dilate(surface.usable.astype(np.uint8), np.ones((side, side), np.uint8)).astype(bool)
    window = near[first_v : first_v + height, first_u : first_u + width]
    return np.asarray(np.where(window, drawing.deviation_mm, np.nan))


def scale_of(deviation_mm: Array, expanded_mm: float, unit: LengthUnit) -> Scale:
    """Choose the scale of a map: its ends at round lengths in the unit that is shown."""
    seen = deviation_mm[np.isfinite(deviation_mm)]
    below, above = (max(-float(seen.min()), 0.0), max(float(seen.max()), 0.0)) if seen.size else (0.0, 0.0)
    span = max(below, above, 1.5 * expanded_mm, 1e-6)
    one, _ = shown_in(1.0, "mm", unit)
    step = round_step(span * one, _STEPS) / one
    fine = step / _FINE
    if max(below, above) <= expanded_mm:  # nothing stands out of its doubt: show how little that is
        below = above = span
    lowest = -fine * np.ceil(below / fine - 1e-6) if below > expanded_mm else 0.0
    highest = fine * np.ceil(above / fine - 1e-6) if above > expanded_mm else 0.0
    return Scale(expanded_mm, float(max(-lowest, highest)), float(lowest), float(highest), float(step))


def deviation_over(picture: Picture, deviation_mm: Array, scale: Scale) -> Picture:
    """Lay a deviation over a picture of the same size.

    Parameters
    ----------
    picture : (h, w, 3) uint8
    deviation_mm : (h, w) array
        NaN where there is none: the picture stays as it is there, as it does within U.
    scale : Scale

    Returns
    -------
    (h, w, 3) uint8

    Examples
    --------
    >>> scale = Scale(0.01, 0.2, -0.2, 0.0, 0.05)
    >>> over = deviation_over(np.full((1, 3, 3), 90, np.uint8), np.array([[0.009, np.nan, -0.2]]), scale)
    >>> over[0, 0].tolist(), over[0, 1].tolist(), bool(over[0, 2, 2] > over[0, 2, 1])
    ([90, 90, 90], [90, 90, 90], True)
    """
    laid = picture.astype(np.float64)
    reach = max(scale.full_mm - scale.expanded_mm, 1e-12)
    with np.errstate(invalid="ignore"):
        for hue, beyond in ((BELOW, -deviation_mm), (ABOVE, deviation_mm)):
            where = beyond > scale.expanded_mm
            share = np.clip((beyond[where] - scale.expanded_mm) / reach, 0, 1)[:, None]
            color = (1 - share) * np.array(hue[0]) + share * np.array(hue[1])
            cover = _COVER[0] + share * (_COVER[1] - _COVER[0])
            laid[where] = (1 - cover) * laid[where] + cover * color
    return np.rint(laid).astype(np.uint8)


def enlarged_deviation(deviation_mm: Array, corner_px: tuple[int, int], crop: Crop, box: Box) -> Array:
    """Give a deviation on a crop at the page's own fineness; NaN outside it and where it has none.

    `corner_px` is (u, v) of its first pixel on the photo. Nothing spreads into pixels without a value.
    """
    whole = np.full((crop.height, crop.width), np.nan)
    first_u, first_v = corner_px[0] - crop.first_u, corner_px[1] - crop.first_v
    height, width = deviation_mm.shape
    low_v, low_u = max(first_v, 0), max(first_u, 0)
    high_v, high_u = min(first_v + height, crop.height), min(first_u + width, crop.width)
    if high_v > low_v and high_u > low_u:
        whole[low_v:high_v, low_u:high_u] = deviation_mm[
            low_v - first_v : high_v - first_v, low_u - first_u : high_u - first_u
        ]
    seen = np.isfinite(whole).astype(np.float64)
    size = page_size(box)
    weight = cv2.resize(seen, size, interpolation=cv2.INTER_LINEAR)
    total = cv2.resize(np.nan_to_num(whole), size, interpolation=cv2.INTER_LINEAR)
    held = cv2.resize(seen, size, interpolation=cv2.INTER_NEAREST) > 0.5
    return np.asarray(np.where(held, total / np.maximum(weight, 1e-9), np.nan))


def draw_levels(axes: Axes, deviation_mm: Array, corner_px: tuple[int, int], scale: Scale) -> None:
    """Draw hair lines of equal deviation at the scale's marks: dark below, bright above."""
    height, width = deviation_mm.shape
    u, v = np.arange(width) + corner_px[0], np.arange(height) + corner_px[1]
    for color, side in (("#ffffff", -1), ("#2a1a00", 1)):
        levels = [n for n in scale.marks_mm if side * n > max(scale.expanded_mm, 1e-9)]
        if levels and np.nanmax(side * deviation_mm) > min(abs(n) for n in levels):
            axes.contour(
                u, v, np.ma.masked_invalid(deviation_mm), levels=levels, colors=color, linewidths=0.5,
                linestyles="solid", alpha=0.55, zorder=2,
            )  # fmt: skip


def draw_scale(page: Page, box: Box, crop: Crop, picture: Picture, scale: Scale, unit: LengthUnit) -> None:
    """Draw the map's scale beside it, over the metal's own grey, its marks in lengths."""
    theme = page.theme
    axes = page.axes(Box(box.left, box.top, _BAR_IN, box.height))
    low, high = min(scale.lowest_mm, -scale.expanded_mm), max(scale.highest_mm, scale.expanded_mm)
    rows = np.linspace(high, low, 600)[:, None]
    grey = np.median(picture[crop.window].reshape(-1, 3), axis=0).astype(np.uint8)
    ground = np.broadcast_to(grey, (*rows.shape, 3)).copy()
    bar = deviation_over(ground, rows, scale)
    axes.imshow(bar, extent=(0, 1, low, high), aspect="auto", interpolation="nearest")
    axes.set_xlim(0, 1)
    axes.set_ylim(low, high)
    decimals = decimals_of(shown_in(scale.step_mm / _FINE, "mm", unit)[0])
    for mark in scale.marks_mm:
        end = mark in {scale.lowest_mm, scale.highest_mm} and mark != 0
        value = shown_in(float(mark), "mm", unit)[0]
        words = length_words(float(mark), unit, decimals) if end else signed(value, decimals)
        _mark(axes, float(mark), words, theme)


def middle_words(scale: Scale, unit: LengthUnit) -> str:
    """Say what the map's untouched middle means."""
    doubt, name = shown_in(scale.expanded_mm, "mm", unit)
    words = number_words(f"{doubt:.{decimals_for(doubt)}f} {name}")
    return f"within ±{THIN}{words} of the restored metal: the photo itself, untouched"


def _mark(axes: Axes, at: float, words: str, theme: Theme) -> None:
    axes.plot([1.0, 1.35], [at, at], color=theme.ink, linewidth=HAIR_PT, clip_on=False)
    axes.text(1.55, at, words, clip_on=False, **lettering(theme, size=SMALL_PT, base="center"))
