"""The target's grid on a photo: every inner corner of a checkerboard or every dot, with its number."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from fringewise.calibrate.features import Feature, find_corner, find_dot, fit_corner
from fringewise.calibrate.lattice import Lattice, filled_in, find_lattice, local_steps, turned
from fringewise.calibrate.target import Target
from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable

Photo = npt.NDArray[Any]
FloatImage = npt.NDArray[np.float32]

_LUMINANCE: Final = (0.299, 0.587, 0.114)  # of red, green, blue (ITU-R BT.601)
_CORNER_SCALES_PX: Final = (1.5, 2.5, 4.0)
_RING_PX: Final = (4.0, 7.0)
_RING_SAMPLES: Final = 32
_LEAST_FOURFOLD: Final = 0.6  # share of a ring's variation that turns with twice the angle
_LEAST_SADDLE: Final = 0.08  # of the strongest
_MOST_CANDIDATES: Final = 4000
_DOT_WINDOWS: Final = (0.02, 0.05, 0.12)  # of the photo's width
_DOT_OFFSET: Final = 0.04  # of the photo's range
_LEAST_DOT_AREA: Final = 12
_DOT_FILL: Final = 0.7
_MOST_SIZE_RATIO: Final = 3.0
_CORNER_WINDOW: Final = 0.45  # of the squares' height
_CORNER_WINDOW_PX: Final = (4.0, 12.0)
_REACH: Final = 0.3  # of the grid's step
_LEAST_FOUND: Final = 0.7


@dataclass(frozen=True, slots=True)
class GridSeen:
    """The grid on one photo.

    Attributes
    ----------
    points : (n,) of int
        Numbers of the target's points, row by row.
    features : tuple of Feature
        One for each.
    reach_px : (n,) array
        How far from each point nothing but its own squares, or its own dot's surroundings, lies.
    sure_of_ends : bool
        Whether the pattern itself tells which end comes first; otherwise half a turn looks the same.
    """

    points: npt.NDArray[np.intp]
    features: tuple[Feature, ...]
    reach_px: Array
    sure_of_ends: bool

    @property
    def pixels(self) -> Array:
        """Where the points are seen (n, 2), px."""
        return np.array([[one.u, one.v] for one in self.features])

    @property
    def sigma_px(self) -> Array:
        """Standard uncertainties (n,), px."""
        return np.array([one.sigma_px for one in self.features])


def find_grid(photo: Photo, target: Target, name: str = "the photo") -> GridSeen:
    """Find the target's whole grid on a photo.

    Candidates anywhere on the photo are put in rows and columns by their places alone; then each is fitted to
    a fraction of a pixel, and missing ones are looked for where their neighbours expect them. A checkerboard
    whose numbers of columns and rows add up to an odd number shows which end comes first: point 0 lies at the
    end whose outer square is dark. Others, and dots, look the same after half a turn; rows then run as near
    to +u as they can.

    Parameters
    ----------
    photo : (H, W) or (H, W, 3) array
    target : Target
    name : str
        What the photo is called in messages.

    Raises
    ------
    NotMeasurable
        The grid is not there, or not all of it.
    """
    grey = _grey(photo)
    candidates = _corners(grey) if target.kind == "checkerboard" else _dots(grey, dark=target.dark_on_light)
    lattice = find_lattice(candidates, target.columns, target.rows)
    words = "inner corners" if target.kind == "checkerboard" else "dots"
    if lattice is None:
        raise NotMeasurable(
            f"{name}: no grid of {target.columns} × {target.rows} {words} is seen"
            f" ({len(candidates)} single ones are): keep the whole target in view, evenly lit and in focus"
        )
    odd = target.kind == "checkerboard" and (target.columns + target.rows) % 2 == 1
    if odd and not _dark_at_first(grey, lattice):
        lattice = turned(lattice)
    return _refined(photo, target, lattice, name, sure_of_ends=odd)


def _grey(photo: Photo) -> FloatImage:
    levels = photo.astype(np.float32)
    return levels @ np.array(_LUMINANCE, dtype=np.float32) if levels.ndim == 3 else levels


def _corners(grey: FloatImage) -> Array:
    """Places (N, 2) that look like a meeting of four squares, from the saddle of the blurred photo."""
    found: list[Array] = []
    for scale in _CORNER_SCALES_PX:
        blurred = cv2.GaussianBlur(grey, (0, 0), scale)
        uu = cv2.Sobel(blurred, cv2.CV_32F, 2, 0, ksize=3, scale=0.25)
        vv = cv2.Sobel(blurred, cv2.CV_32F, 0, 2, ksize=3, scale=0.25)
        uv = cv2.Sobel(blurred, cv2.CV_32F, 1, 1, ksize=3, scale=0.25)
        saddle = (uv * uv - uu * vv) * np.float32(scale**4)
        size = 2 * int(np.ceil(2 * scale)) + 1
        peak = (saddle == cv2.dilate(saddle, np.ones((size, size), np.uint8))) & (saddle > 0)
        strong = (
            np.partition(saddle[peak], -min(50, int(peak.sum())))[-min(50, int(peak.sum()))]
            if peak.any()
            else 0
        )
        v, u = np.nonzero(peak & (saddle > _LEAST_SADDLE * strong))
        order = np.argsort(-saddle[v, u])[:_MOST_CANDIDATES]
        places = np.column_stack([u[order], v[order]]).astype(np.float64)
        found.append(places[_fourfold(grey, places)])
    return _merged(found)


def _fourfold(grey: FloatImage, places: Array) -> npt.NDArray[np.bool_]:
    """Whether the grey levels on rings round the places go up and down twice a turn."""
    kept = np.zeros(len(places), dtype=np.bool_)
    if not len(places):
        return kept
    for radius in _RING_PX:
        levels = _ring(grey, places, radius)
        spectrum = np.abs(np.fft.rfft(levels - levels.mean(axis=1, keepdims=True), axis=1)) ** 2
        total = np.maximum(spectrum.sum(axis=1), 1e-12)
        kept |= spectrum[:, 2] / total > _LEAST_FOURFOLD
    return kept


def _ring(grey: FloatImage, places: Array, radius: float) -> Array:
    turn = np.arange(_RING_SAMPLES) * (2 * np.pi / _RING_SAMPLES)
    u = (places[:, :1] + radius * np.cos(turn)).astype(np.float32)
    v = (places[:, 1:] + radius * np.sin(turn)).astype(np.float32)
    return np.asarray(
        cv2.remap(grey, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float64
    )


def _merged(found: list[Array], apart_px: float = 4.0) -> Array:
    """Places of all scales, each only once; the finest scale's go first."""
    made: list[Array] = []
    for places in found:
        for place in places:
            if not made or np.min(np.hypot(*(np.array(made) - place).T)) > apart_px:
                made.append(place)
    return np.array(made) if made else np.empty((0, 2))


def _dots(grey: FloatImage, *, dark: bool) -> Array:
    """Middles (N, 2) of round blobs of about one size, from thresholds that follow the light."""
    levels = (grey - grey.min()) / max(float(np.ptp(grey)), 1e-6)
    best = np.empty((0, 2))
    for share in _DOT_WINDOWS:
        window = max(2 * int(share * grey.shape[1] / 2) + 1, 7)
        local = cv2.blur(levels, (window, window))
        off = (local - levels) if dark else (levels - local)
        blobs = _round_blobs(off > _DOT_OFFSET)
        if len(blobs) > len(best):
            best = blobs
    return best


def _round_blobs(mask: npt.NDArray[np.bool_]) -> Array:
    count, _, stats, middles = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    area, wide, high = stats[:, cv2.CC_STAT_AREA], stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]
    fill = area / (np.pi / 4 * wide * high)
    fits = (
        (area >= _LEAST_DOT_AREA) & (fill > _DOT_FILL) & (fill < 1.2) & (wide < 4 * high) & (high < 4 * wide)
    )
    fits[0] = False
    if count < 2 or not fits.any():
        return np.empty((0, 2))
    usual = float(np.median(area[fits]))
    fits &= (area < _MOST_SIZE_RATIO * usual) & (area > usual / _MOST_SIZE_RATIO)
    return np.asarray(middles[fits], dtype=np.float64)


def _dark_at_first(grey: FloatImage, lattice: Lattice) -> bool:
    """Whether the square outside the grid's first corner is darker than those beside it."""
    along, down = local_steps(lattice.places)
    offsets = ((-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5))
    contrast = 0.0
    rows, columns = lattice.members.shape
    for i in range(rows):
        for j in range(columns):
            if lattice.members[i, j] < 0:
                continue
            levels = [
                _level(grey, lattice.places[i, j] + a * along[i, j] + b * down[i, j]) for a, b in offsets
            ]
            if all(np.isfinite(levels)):
                sign = 1.0 if (i + j) % 2 == 0 else -1.0
                contrast += sign * (levels[0] + levels[2] - levels[1] - levels[3])
    return contrast < 0


def _level(grey: FloatImage, place: Array) -> float:
    u, v = (round(float(x)) for x in np.nan_to_num(place, nan=-1.0))
    return float(grey[v, u]) if 0 <= v < grey.shape[0] and 0 <= u < grey.shape[1] else np.nan


def _refined(photo: Photo, target: Target, lattice: Lattice, name: str, *, sure_of_ends: bool) -> GridSeen:
    places = filled_in(lattice.places)
    along, down = local_steps(places)
    step = np.fmin(np.linalg.norm(along, axis=2), np.linalg.norm(down, axis=2)).ravel()
    points, features = [], []
    for n, place in enumerate(places.reshape(-1, 2)):
        if not (np.all(np.isfinite(place)) and np.isfinite(step[n])):
            continue
        if target.kind == "checkerboard":
            found = _corner(photo, place, along.reshape(-1, 2)[n], down.reshape(-1, 2)[n])
            found = found or find_corner(photo, float(place[0]), float(place[1]), _reach(step[n]))
        else:
            found = find_dot(photo, float(place[0]), float(place[1]), _reach(step[n]))
        if found is not None:
            points.append(n)
            features.append(found)
    if len(points) < max(_LEAST_FOUND * target.count, 8):
        raise NotMeasurable(
            f"{name}: only {len(points)} of {target.count} points of the target are sharp enough:"
            " focus, light it more evenly, or move nearer"
        )
    return GridSeen(np.array(points), tuple(features), step[points], sure_of_ends)


def _reach(step_px: float) -> float:
    return max(_REACH * float(step_px), 2.0)


def _corner(photo: Photo, place: Array, along: Array, down: Array) -> Feature | None:
    lines = float(np.arctan2(along[1], along[0])), float(np.arctan2(down[1], down[0]))
    apart = abs(float(along[0] * down[1] - along[1] * down[0]))  # the squares' height over either side
    room = apart / max(float(np.linalg.norm(along)), float(np.linalg.norm(down)))
    radius = float(np.clip(_CORNER_WINDOW * room, *_CORNER_WINDOW_PX))
    return fit_corner(photo, (float(place[0]), float(place[1])), lines, radius)
