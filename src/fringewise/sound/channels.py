"""What a camera's channels show on either side of an edge: the photo, and the fringes.

Pixels some way inside or outside say what a pixel wholly on that side would show at the edge: a smooth level
along it, changing straight across it. The photo gathers light in proportion. So do fringes, where what is
behind the edge has none; where it has, both sides' fringes interfere in a pixel across the edge, and cosine
and sine are followed apart, each side's phase coming from its own surface.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.core.flags import Flag
from fringewise.sound.pixel_edge import AboutLine
from fringewise.sound.scenery import Scenery
from fringewise.sound.spline import Axis
from fringewise.surface.surface import Surface

BoolArray = npt.NDArray[np.bool_]

_LEVEL_KNOT_PX: Final = 16.0
_SLOPE_KNOT_PX: Final = 48.0
_CLEAR_PX: Final = 1.4
_RIDGE: Final = 1e-6
_LEAST_CONTRAST: Final = 8.0
_NO_FRINGES: Final = 0.12
_WIDE_PX: Final = 4.5
_LEAST_PIXELS: Final = 40
_UNLIT: Final = 0.03


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel at the pixels about an outline (N of them).

    Attributes
    ----------
    name : str
        ``photo`` or ``fringes``.
    value : (N,) array
    metal, behind : (N,) arrays
        What a pixel wholly on the metal, or wholly on what is behind, would show here.
    metal_variance, behind_variance : float
        Of one pixel on either side.
    good : (N,) bool
        Pixels that may be used.
    dark_px : (N,) array
        Width of the metal's shadow just outside the edge; 0 for none.
    shadow : float
        What a pixel wholly in that shadow would show.
    """

    name: str
    value: Array
    metal: Array
    behind: Array
    metal_variance: float
    behind_variance: float
    good: BoolArray
    dark_px: Array
    shadow: float = 0.0

    def variance(self, share: Array) -> Array:
        """Variance (N,) of pixels that lie on metal by a share."""
        part = np.clip(share, 0.0, 1.0)
        return self.metal_variance * part + self.behind_variance * (1 - part)


def channels_of(
    surface: Surface,
    about: AboutLine,
    along: Array,
    sources: tuple[str, ...],
    dark_px: Array,
    scenery: Scenery | None = None,
) -> list[Channel]:
    """Give every channel of a surface in which metal stands out from what is behind.

    Parameters
    ----------
    surface, about, along
        The pixels about an outline whose points lie at `along`.
    sources : tuple of str
    dark_px : (N,) array
        Width of the metal's shadow at each pixel.
    scenery : Scenery, optional
        Needed where fringes are to be used before something that shows fringes too.
    """
    found: list[Channel | None] = []
    good = _unsaturated(surface, about)
    photo = _grey(surface)
    if photo is not None and "photo" in sources:
        value = photo[about.rows, about.columns]
        found.append(_made("photo", value, about, along, good, dark_px))
    if surface.modulation is not None and "fringes" in sources:
        value = surface.modulation[about.rows, about.columns].astype(np.float64)
        value = np.where(np.isfinite(value), value, 0.0)
        one = _made("fringes", value, about, along, good, dark_px)
        if one is not None and np.median(np.abs(one.behind)) < _NO_FRINGES * np.median(one.metal):
            found.append(one)
        elif scenery is not None and scenery.surface.finest_set is not None:
            found.extend(_apart(value, about, along, good, dark_px, scenery))
    return [one for one in found if one is not None]


def _apart(
    value: Array, about: AboutLine, along: Array, good: BoolArray, dark_px: Array, scenery: Scenery
) -> list[Channel | None]:
    """The fringes' parts in step with the metal's own, and a quarter period off it, as two channels."""
    seen, metal, behind = scenery.phases(about.rows, about.columns)
    size = _made("fringes", value, about, along, good, dark_px, weak=True)
    if size is None:
        return []
    decoded = good & np.isfinite(seen)
    off, other = np.where(decoded, seen, 0.0) - metal, behind - metal
    variance = size.metal_variance, size.behind_variance
    cosine = Channel(
        "fringes", value * np.cos(off), size.metal, size.behind * np.cos(other), *variance, decoded, dark_px
    )
    none, other_sine = np.zeros_like(value), size.behind * np.sin(other)
    sine = Channel("fringes", value * np.sin(off), none, other_sine, *variance, decoded, dark_px)
    return [cosine, sine]


def _grey(surface: Surface) -> Array | None:
    photo = surface.photo
    if photo is None:
        return None
    return np.asarray(photo if photo.ndim == 2 else photo.mean(axis=2), dtype=np.float64)


def _unsaturated(surface: Surface, about: AboutLine) -> BoolArray:
    return np.asarray((surface.flags[about.rows, about.columns] & Flag.SATURATED) == 0)


def _made(
    name: str,
    value: Array,
    about: AboutLine,
    along: Array,
    good: BoolArray,
    dark_px: Array,
    *,
    weak: bool = False,
) -> Channel | None:
    inner = good & (about.depth_px > _CLEAR_PX)
    outer = good & (about.depth_px < -_CLEAR_PX - dark_px)
    in_shadow = good & (about.depth_px < -_CLEAR_PX) & (about.depth_px > _CLEAR_PX - dark_px)
    if np.median(dark_px) > _WIDE_PX or outer.sum() < _LEAST_PIXELS < in_shadow.sum():
        # nothing but shadow within reach: that is what lies behind
        outer, good, dark_px = in_shadow, good & (about.depth_px > _CLEAR_PX - dark_px), 0 * dark_px
    if inner.sum() < _LEAST_PIXELS or outer.sum() < _LEAST_PIXELS:
        return None
    metal, metal_variance = level_line(about.along_px, about.depth_px, value, inner, along)
    behind, behind_variance = level_line(about.along_px, about.depth_px, value, outer, along)
    behind_variance = max(behind_variance, 0.02 * metal_variance)
    contrast = float(np.median(np.abs(metal - behind)))
    if contrast < _LEAST_CONTRAST * np.sqrt(max(metal_variance, behind_variance)) and not weak:
        return None
    shadow = 0.0
    if dark_px.any() and name == "photo":
        many = in_shadow.sum() >= _LEAST_PIXELS
        shadow = float(np.mean(value[in_shadow])) if many else _UNLIT * float(np.median(behind))
    return Channel(name, value, metal, behind, metal_variance, behind_variance, good, dark_px, shadow)


def level_line(at: Array, depth: Array, value: Array, used: BoolArray, along: Array) -> tuple[Array, float]:
    """Level at all pixels from those used: smooth along, straight across; and a pixel's variance about it."""
    length = max(float(along[-1]), 1.0)
    level, slope = (
        Axis(0.0, length / n, n)
        for n in (max(int(length / knot), 1) for knot in (_LEVEL_KNOT_PX, _SLOPE_KNOT_PX))
    )
    rows = np.hstack([level.dense(at), slope.dense(at) * depth[:, None]])
    part = rows[used]
    normal = part.T @ part
    normal[np.diag_indices(len(normal))] += _RIDGE * np.trace(normal) / len(normal)
    terms = np.linalg.solve(normal, part.T @ value[used])
    made = rows @ terms
    off = value[used] - made[used]
    spread = float(np.median(np.abs(off)) * 1.4826) ** 2
    return made, max(spread, float(np.mean(np.clip(off**2, 0, 9 * max(spread, 1e-3)))), 0.05)
