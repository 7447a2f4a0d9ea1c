"""An edge's outline to a fraction of a pixel: where grey levels or fringes pass from metal to what is behind.

What lies on either side close by says what a pixel wholly on it would show: levels follow smooth lines along
the edge, and straight ones across it. Just outside an edge on the side away from the projector runs the
metal's own shadow, with what is behind beyond it; where that shadow ends follows from where the projector
stands. A pixel across the edge then shows how much of it is metal. Every pixel of the outline's length gives
one place across, with its own noise; a smooth line runs through them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.sound.channels import Channel, channels_of
from fringewise.sound.line_spline import LineSpline, smooth_line
from fringewise.sound.metal import Rim
from fringewise.sound.pixel_edge import (
    AboutLine,
    across,
    arc_px,
    evenly,
    pixels_about,
    share_inside,
    smoothed,
)
from fringewise.sound.scenery import Scenery
from fringewise.surface.surface import Surface

BoolArray = npt.NDArray[np.bool_]

_REACH_PX: Final = 6.5
_PASSES: Final = 4
_FIRST_SMOOTHING_PX: Final = 1.6
_KNOT_PX: Final = 2.0
_SOUND_KNOT_PX: Final = 9.0
_BLURS_PX: Final = (0.0, 0.35, 0.6, 0.9, 1.3)
_MOST_STEP_PX: Final = 1.5


@dataclass(frozen=True, slots=True)
class Outline:
    """An edge's outline on the photo: N points about a pixel apart.

    Attributes
    ----------
    line_px : (N, 2) array
        The smooth outline.
    outward : (N, 2) array
        Unit directions away from the metal.
    along_px : (N,) array
    raw_px : (N,) array
        Single places across, relative to `line_px`, independent of one another; NaN where unseen.
    sigma_px : (N,) array
        Their standard uncertainties; infinite where unseen.
    first, last : int
        The points nearest to the two marks.
    bent : LineSpline
        The smooth line between the marks, as an offset from a base; `terms` are its terms at
        points first … last.
    terms : (M, K) array
    blur_px : float
        The camera's blur as found.
    seen_in : tuple of str
        What the outline was read from: ``photo``, ``fringes``.
    """

    line_px: Array
    outward: Array
    along_px: Array
    raw_px: Array
    sigma_px: Array
    first: int
    last: int
    bent: LineSpline
    terms: Array
    blur_px: float
    seen_in: tuple[str, ...]

    @property
    def raw_points_px(self) -> Array:
        """The single places (N, 2) on the photo; NaN where unseen."""
        return np.asarray(self.line_px + self.raw_px[:, None] * self.outward)

    @property
    def scatter_px(self) -> float:
        """Typical standard uncertainty of a single place."""
        seen = np.isfinite(self.sigma_px)
        return float(np.median(self.sigma_px[seen])) if seen.any() else float("nan")

    @property
    def damage(self) -> slice:
        """The points from mark to mark."""
        return slice(self.first, self.last + 1)


def trace_outline(
    surface: Surface,
    rim: Rim,
    *,
    sources: tuple[str, ...] = ("photo", "fringes"),
    scenery: Scenery | None = None,
) -> Outline:
    """Trace the outline along a rim of metal.

    Parameters
    ----------
    surface : Surface
    rim : Rim
        With the marks' places on it.
    sources : tuple of str
        What may be used: ``photo``, ``fringes``.
    scenery : Scenery, optional
        What lies behind the edge, where it is known.

    Raises
    ------
    NotMeasurable
        Where metal and background can't be told apart.
    """
    line = smoothed(evenly(rim.pixels), _FIRST_SMOOTHING_PX)
    ends = rim.pixels[[rim.first, rim.last]]
    blur = 0.4
    for step in range(_PASSES):
        outward = _outward(line, rim)
        about = pixels_about(line, outward, _REACH_PX, surface.shape, blur)
        dark = np.zeros(len(about.rows))
        if scenery is not None:
            width = scenery.shadow_px(line, outward)
            dark = np.interp(about.along_px, arc_px(line), width)
        channels = channels_of(surface, about, arc_px(line), sources, dark, scenery)
        if not channels:
            raise NotMeasurable(
                "the edge can't be told from what is behind it: look from another side, or with other light"
            )
        if step == 1:
            blur = _best_blur(about, channels)
        places, sigma = _places(about, channels, blur, arc_px(line))
        first, last = (int(np.argmin(np.linalg.norm(line - end, axis=1))) for end in ends)
        fitted = _fitted(arc_px(line), places, sigma, first, last)
        moved = line + fitted.offsets[:, None] * outward
        if step == _PASSES - 1:
            return Outline(
                moved, outward, arc_px(moved), places - fitted.offsets, sigma, first, last, fitted.damage,
                fitted.damage.basis(arc_px(line)[first : last + 1]), blur, tuple(c.name for c in channels),
            )  # fmt: skip
        line = evenly(moved)
    raise AssertionError("the last pass returns")


def _outward(line: Array, rim: Rim) -> Array:
    """Normals that point away from the metal."""
    normals = across(line)
    inside = []
    for sign in (1.0, -1.0):
        at = np.rint(line + 3 * sign * normals - rim.corner).astype(int)
        held = np.all((at >= 0) & (at < [rim.metal.shape[1], rim.metal.shape[0]]), axis=1)
        inside.append(float(rim.metal[at[held, 1], at[held, 0]].mean()) if held.any() else 0.0)
    return normals if inside[0] < inside[1] else -normals


@dataclass(frozen=True, slots=True)
class _Fitted:
    offsets: Array
    damage: LineSpline


def _fitted(along: Array, places: Array, sigma: Array, first: int, last: int) -> _Fitted:
    """Smooth lines through the places: a supple one between the marks, stiffer ones beyond."""
    offsets = np.zeros_like(along)
    parts = ((slice(0, first), _SOUND_KNOT_PX), (slice(last + 1, len(along)), _SOUND_KNOT_PX))
    for part, knot in parts:
        if np.isfinite(sigma[part]).sum() >= 8:
            one = smooth_line(along[part], places[part], sigma[part], knot)
            offsets[part] = one.values(along[part])
    between = slice(first, last + 1)
    if np.isfinite(sigma[between]).mean() < 0.6 or last - first < 6:
        raise NotMeasurable("the outline between the marks was lost: look again, nearer or with less gloss")
    damage = smooth_line(along[between], places[between], sigma[between], _KNOT_PX, sharp=True)
    offsets[between] = damage.values(along[between])
    return _Fitted(np.clip(offsets, -2 * _MOST_STEP_PX, 2 * _MOST_STEP_PX), damage)


def _places(about: AboutLine, channels: list[Channel], blur: float, along: Array) -> tuple[Array, Array]:
    """Where the outline lies across, pixel by pixel along it, and the standard uncertainties.

    A least-squares step from the line: with v = O + (M − O) F(depth) in each channel and J = (M − O) F′, the
    place is Σ J (v − model)/σ² over Σ J²/σ², the pixels shared out among the two nearest points.
    """
    share, slope = share_inside(about.depth_px, about.normal, blur)
    top, below = np.zeros(len(along)), np.zeros(len(along))
    bin_number = np.clip(np.rint(np.interp(about.along_px, along, np.arange(len(along)))), 0, len(along) - 1)
    number = bin_number.astype(np.intp)
    for one in channels:
        model, jacobian = _model(one, about, share, slope, blur)
        variance = one.variance(share)
        good = one.good
        top += np.bincount(number[good], (jacobian * (one.value - model) / variance)[good], len(along))
        below += np.bincount(number[good], (jacobian**2 / variance)[good], len(along))
    seen = below > 0
    enough = below > np.median(below[seen]) / 25 if seen.any() else seen
    places = np.where(enough, top / np.where(enough, below, 1.0), np.nan)
    sigma = np.where(enough, 1 / np.sqrt(np.where(enough, below, 1.0)), np.inf)
    return np.clip(places, -_MOST_STEP_PX, _MOST_STEP_PX), sigma


def _model(one: Channel, about: AboutLine, share: Array, slope: Array, blur: float) -> tuple[Array, Array]:
    """What the pixels would show, and the derivative by moving the outline outwards, shadow and all."""
    if not one.dark_px.any():
        return one.metal * share + one.behind * (1 - share), (one.metal - one.behind) * slope
    lit, lit_slope = share_inside(about.depth_px + one.dark_px, about.normal, blur)
    model = one.metal * share + one.shadow * (lit - share) + one.behind * (1 - lit)
    return model, one.metal * slope + one.shadow * (lit_slope - slope) - one.behind * lit_slope


def _best_blur(about: AboutLine, channels: list[Channel]) -> float:
    """The camera's blur that explains the levels across the edge best."""
    scores = []
    for blur in _BLURS_PX:
        share, slope = share_inside(about.depth_px, about.normal, blur)
        total = 0.0
        for one in channels:
            model, _ = _model(one, about, share, slope, blur)
            total += float(np.sum(((one.value - model)[one.good]) ** 2 / one.variance(share)[one.good]))
        scores.append(total)
    return _BLURS_PX[int(np.argmin(scores))]
