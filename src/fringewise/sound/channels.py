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
from fringewise.sound.pixel_edge import AboutLine
from fringewise.sound.spline import Axis
from fringewise.surface.surface import Surface

BoolArray = npt.NDArray[np.bool_]

_LEVEL_KNOT_PX: Final = 16.0
_SLOPE_KNOT_PX: Final = 48.0
_CLEAR_PX: Final = 1.4
_RIDGE: Final = 1e-6
_LEAST_CONTRAST: Final = 8.0
_NO_FRINGES: Final = 0.12


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
    """

    name: str
    value: Array
    metal: Array
    behind: Array
    metal_variance: float
    behind_variance: float
    good: BoolArray

    def variance(self, share: Array) -> Array:
        """Variance (N,) of pixels that lie on metal by a share."""
        part = np.clip(share, 0.0, 1.0)
        return self.metal_variance * part + self.behind_variance * (1 - part)


def channels_of(surface: Surface, about: AboutLine, along: Array, sources: tuple[str, ...]) -> list[Channel]:
    """Give every channel of a surface in which metal stands out from what is behind."""
    found = []
    photo = _grey(surface)
    if photo is not None and "photo" in sources:
        value = photo[about.rows, about.columns]
        found.append(_made("photo", value, about, along, _unsaturated(surface, about)))
    if surface.modulation is not None and "fringes" in sources:
        value = surface.modulation[about.rows, about.columns].astype(np.float64)
        one = _made(
            "fringes", np.where(np.isfinite(value), value, 0.0), about, along, _unsaturated(surface, about)
        )
        if one is not None and np.median(np.abs(one.behind)) < _NO_FRINGES * np.median(one.metal):
            found.append(one)
    return [one for one in found if one is not None]


def _grey(surface: Surface) -> Array | None:
    photo = surface.photo
    if photo is None:
        return None
    return np.asarray(photo if photo.ndim == 2 else photo.mean(axis=2), dtype=np.float64)


def _unsaturated(surface: Surface, about: AboutLine) -> BoolArray:
    from fringewise.core.flags import Flag  # noqa: PLC0415

    return np.asarray((surface.flags[about.rows, about.columns] & Flag.SATURATED) == 0)


def _made(name: str, value: Array, about: AboutLine, along: Array, good: BoolArray) -> Channel | None:
    inner = good & (about.depth_px > _CLEAR_PX)
    outer = good & (about.depth_px < -_CLEAR_PX)
    if inner.sum() < 40 or outer.sum() < 40:
        return None
    metal, metal_variance = level_line(about.along_px, about.depth_px, value, inner, along)
    behind, behind_variance = level_line(about.along_px, about.depth_px, value, outer, along)
    contrast = float(np.median(np.abs(metal - behind)))
    if contrast < _LEAST_CONTRAST * np.sqrt(max(metal_variance, behind_variance)):
        return None
    return Channel(
        name, value, metal, behind, metal_variance, max(behind_variance, 0.02 * metal_variance), good
    )


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
