"""The photo on a page: as it is, in whole or in part, with hatching where there is no surface to trust."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes

from fringewise.core.checks import Array
from fringewise.render.page import DPI, Box, Page
from fringewise.surface.surface import Surface

Picture = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]

_DARK_BELOW: Final = 0.45
_BRIGHTENED_TO: Final = 0.75
_BRIGHT_PERCENTILE: Final = 99.0
_HATCH_STEP_PX: Final = 9.0
_HATCH_HALF_PX: Final = 0.7
_HATCH: Final = (((214, 206, 194), 0.0, 0.55), ((20, 17, 14), 2.6, 0.45))
"""A light line with a dark one beside it, so that it is seen on bright and on dark: colour, shift, cover."""

_SPECK_PX: Final = 1


@dataclass(frozen=True, slots=True)
class Shown:
    """A photo made ready for the eye.

    Attributes
    ----------
    picture : (H, W, 3) uint8
        Red, green, blue.
    factor : float
        One factor for the whole photo by which a dark one is brightened; 1 leaves it as it is.
    """

    picture: Picture
    factor: float

    @property
    def note(self) -> str:
        """What was done to it, in words; empty where nothing was."""
        return "" if self.factor == 1 else f"photo shown {self.factor:.1f} times as bright"


@dataclass(frozen=True, slots=True)
class Crop:
    """A part of the photo by its first pixel and its size in pixels."""

    first_u: int
    first_v: int
    width: int
    height: int

    @property
    def window(self) -> tuple[slice, slice]:
        """Rows and columns of it."""
        return (
            slice(self.first_v, self.first_v + self.height),
            slice(self.first_u, self.first_u + self.width),
        )

    @property
    def extent(self) -> tuple[float, float, float, float]:
        """Left, right, lower and upper border in pixel coordinates, as matplotlib wants them."""
        left, top = self.first_u - 0.5, self.first_v - 0.5
        return left, left + self.width, top + self.height, top


def shown_photo(surface: Surface) -> Shown:
    """Make the photo ready for the eye; a dark one is brightened by one factor, which is said.

    A surface without a photo shows its fringes' amplitude instead, or an even grey.
    """
    if surface.photo is not None:
        level = np.asarray(surface.photo, dtype=np.float64) / _full_scale(surface)
    elif surface.modulation is not None:
        level = np.nan_to_num(np.asarray(surface.modulation, dtype=np.float64))
        level = level / max(float(np.percentile(level, _BRIGHT_PERCENTILE)) / _BRIGHTENED_TO, 1e-9)
    else:
        level = np.full(surface.shape, 0.5)
    bright = float(np.percentile(level, _BRIGHT_PERCENTILE))
    factor = 1.0 if bright >= _DARK_BELOW or bright <= 0 else round(_BRIGHTENED_TO / bright, 1)
    grey = np.rint(np.clip(level * factor, 0, 1) * 255).astype(np.uint8)
    return Shown(np.repeat(grey[..., None], 3, axis=2) if grey.ndim == 2 else grey, factor)


def crop_round(
    points_px: Array, shape: tuple[int, int], *, aspect: float, margin: float, least_px: float = 60.0
) -> Crop:
    """Choose a part of the photo round some points, of the wanted width to height where the photo allows.

    Parameters
    ----------
    points_px : (N, 2) array
    shape : (height, width)
        Of the photo.
    aspect : float
        Width to height.
    margin : float
        What is added on each side, as a share of the points' greatest extent.
    least_px : float
        Least height.
    """
    low, high = points_px.min(axis=0), points_px.max(axis=0)
    border = margin * float(max(high - low))
    size = np.maximum(high - low + 2 * border, least_px)
    height = max(size[1], size[0] / aspect)
    height = min(height, shape[0], shape[1] / aspect)
    wanted = np.array([height * aspect, height])
    first = np.clip((low + high - wanted) / 2, 0, np.array([shape[1], shape[0]]) - wanted)
    u, v = (round(float(n)) for n in first)
    return Crop(u, v, min(round(wanted[0]), shape[1] - u), min(round(wanted[1]), shape[0] - v))


def whole(shape: tuple[int, int]) -> Crop:
    """Give the whole photo as a crop."""
    return Crop(0, 0, shape[1], shape[0])


def enlarged(picture: Picture, crop: Crop, box: Box) -> Picture:
    """Give a part of a photo at the page's own fineness, (h, w, 3): bilinear, or a mean where it shrinks."""
    wide, high = page_size(box)
    way = cv2.INTER_AREA if wide < crop.width else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(picture[crop.window], (wide, high), interpolation=way), dtype=np.uint8)


def page_size(box: Box) -> tuple[int, int]:
    """Width and height of a field in the page's own pixels."""
    return max(round(box.width * DPI), 1), max(round(box.height * DPI), 1)


def photo_axes(page: Page, box: Box, crop: Crop, fine: Picture) -> Axes:
    """Put an enlarged part of the photo on a field; the axes count photo pixels, v down."""
    axes = page.axes(box)
    axes.imshow(fine, extent=crop.extent, interpolation="nearest", aspect="auto", zorder=0)
    axes.set_xlim(crop.extent[0], crop.extent[1])
    axes.set_ylim(crop.extent[2], crop.extent[3])
    return axes


def fitted_box(left: float, top: float, width: float, height: float, crop: Crop) -> Box:
    """Fit a crop into a field with square pixels, at the field's top and middle."""
    scale = min(width / crop.width, height / crop.height)
    wide, high = crop.width * scale, crop.height * scale
    return Box(left + (width - wide) / 2, top, wide, high)


def without_surface(surface: Surface) -> Mask:
    """Say where there is no surface to trust, single lost pixels among good ones left out."""
    lost = (~surface.usable).astype(np.uint8)
    side = 2 * _SPECK_PX + 1
    return cv2.morphologyEx(lost, cv2.MORPH_OPEN, np.ones((side, side), np.uint8)).astype(bool)


def hatch(axes: Axes, box: Box, crop: Crop, where: Mask) -> None:
    """Hatch the pixels of the photo where `where` (H, W) holds: no trustworthy surface there.

    The lines keep their distance on the page, however much the photo is enlarged.
    """
    part = where[crop.window]
    if part.any():
        fine = cv2.resize(part.astype(np.uint8), page_size(box), interpolation=cv2.INTER_NEAREST)
        axes.imshow(
            hatching(fine.astype(bool)), extent=crop.extent, interpolation="nearest", aspect="auto", zorder=1
        )


def hatching(where: Mask, strength: float = 1.0) -> Picture:
    """Give hatching (h, w, 4), red, green, blue and cover, where `where` holds; clear elsewhere."""
    y, x = np.mgrid[: where.shape[0], : where.shape[1]]
    layer = np.zeros((*where.shape, 4), dtype=np.uint8)
    for color, shift, share in _HATCH:
        cover = np.rint(_stripes(x, y, shift) * where * share * strength * 255).astype(np.uint8)
        over = cover > layer[..., 3]
        layer[over, :3] = color
        layer[over, 3] = cover[over]
    return layer


def _stripes(x: npt.NDArray[Any], y: npt.NDArray[Any], shift: float) -> Array:
    """Cover (0 … 1) of slanting lines."""
    step = _HATCH_STEP_PX * math.sqrt(2)
    from_line = np.abs((x + y + shift + step / 2) % step - step / 2) / math.sqrt(2)
    return np.asarray(np.clip(_HATCH_HALF_PX + 0.5 - from_line, 0, 1))


def _full_scale(surface: Surface) -> float:
    photo: npt.NDArray[Any] = np.asarray(surface.photo)
    if photo.dtype == np.uint8:
        return 255.0
    noise = surface.head.noise if surface.head is not None else None
    return float(noise.saturation_dn if noise is not None else max(int(photo.max()), 1))
