"""Which pixels are one piece of metal, and the rim of pixels round it between marks set on its edge.

A piece is a patch of usable pixels whose depth has no step in it. Where two pieces meet in the photo, the one
that is nearer has its edge there; what is farther goes on behind it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.core.errors import MarksAtFault, NotMeasurable
from fringewise.surface.surface import Surface

BoolArray = npt.NDArray[np.bool_]

REACH_PX: Final = 6.0
"""How far from an edge a mark may lie to be drawn to it."""

_MARGIN_PX: Final = (60.0, 170.0)
_MARGIN_SHARE: Final = 1.3
_STEP_MM: Final = 0.04
_STEP_SIGMAS: Final = 4.0
_APART_PX: Final = 2
_GROWN_PX: Final = 4
_LEAST_PIXELS: Final = 200
_NEAR_PX: Final = 14
_BORDER_PX: Final = 3.0
_NARROWER: Final = (1.0, 0.5, 0.25)
_LEAST_RIM: Final = 20
_PIECES_LOOKED_AT: Final = 6


@dataclass(frozen=True, slots=True)
class Rim:
    """The rim of a piece of metal between two marks and beyond them.

    Attributes
    ----------
    pixels : (N, 2) array
        Pixels (u, v) along the rim, in order; metal ones.
    first, last : int
        Which of them are nearest to the two marks.
    metal : (h, w) bool
        The piece, in a window of the photo.
    corner : (int, int)
        (u, v) of the window's first pixel.
    leaves_photo : bool
        Whether the rim between the marks runs along the photo's border.
    """

    pixels: Array
    first: int
    last: int
    metal: BoolArray
    corner: tuple[int, int]
    leaves_photo: bool


def rim_between(
    surface: Surface, marks_px: Array, beyond_px: float, *, others_px: Array | None = None
) -> Rim:
    """Find the metal whose edge two marks (2, 2) were set on, and its rim from one to the other.

    Parameters
    ----------
    surface : Surface
    marks_px : (2, 2) array
    beyond_px : float
        How far the rim is followed beyond either mark, at most.
    others_px : (M, 2) array, optional
        Further marks that the window must hold.

    Raises
    ------
    MarksAtFault
        A mark lies off any edge, or the marks lie on edges of different metal.
    NotMeasurable
        There is no metal there that can be told from what is behind.
    """
    held = marks_px if others_px is None else others_px
    best: tuple[float, int, Array, BoolArray, tuple[int, int]] | None = None
    for narrower in _NARROWER:  # far off, what is behind may come so near that both are one piece
        metal, corner = _piece_at(surface, marks_px, held, narrower)
        found = _nearest_rim(metal, corner, marks_px)
        if found is not None and (best is None or found[0] < best[0]):
            best = (*found, metal, corner)
        if best is not None and best[0] <= REACH_PX:
            break
    if best is None:
        raise NotMeasurable("no metal with an edge was found at the marks: mark on the edge, or look again")
    away, far, rim, metal, corner = best
    if away > REACH_PX:
        raise MarksAtFault(
            f"mark {far} lies {away:.0f} pixels off any edge of the same metal: "
            "set both marks on the sound edge, one on either side"
        )
    return _cut_out(rim, marks_px, beyond_px, metal, corner)


def _nearest_rim(
    metal: BoolArray, corner: tuple[int, int], marks_px: Array
) -> tuple[float, int, Array] | None:
    """The rim nearest to both marks: how far it passes the farther one, which that is, and its pixels."""
    contours, _ = cv2.findContours(metal.astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    best: tuple[float, int, Array] | None = None
    for one in contours:
        if len(one) <= _LEAST_RIM:
            continue
        rim = one[:, 0].astype(np.float64) + corner
        away = [float(np.linalg.norm(rim - mark, axis=1).min()) for mark in marks_px]
        if best is None or max(away) < best[0]:
            best = max(away), int(np.argmax(away)) + 1, rim
    return best


def _piece_at(
    surface: Surface, marks_px: Array, all_px: Array, narrower: float
) -> tuple[BoolArray, tuple[int, int]]:
    """The nearest piece of metal at the marks, in a window round them."""
    length = float(np.linalg.norm(np.ptp(all_px, axis=0)))
    margin = float(np.clip(_MARGIN_SHARE * length, *_MARGIN_PX)) * narrower
    height, width = surface.shape
    low = np.maximum(np.floor(all_px.min(axis=0) - margin).astype(int), 0)
    high = np.minimum(np.ceil(all_px.max(axis=0) + margin).astype(int) + 1, [width, height])
    if np.any(high - low < 8):
        raise MarksAtFault("the marks lie outside the photo")
    window = np.s_[low[1] : high[1], low[0] : high[0]]
    labels, depths = _pieces(surface, window)
    chosen = [_nearest_piece(labels, depths, mark - low) for mark in marks_px]
    if 0 in chosen:
        raise MarksAtFault(
            f"mark {chosen.index(0) + 1} lies away from any metal with a surface: set it on the edge"
        )
    if chosen[0] != chosen[1]:
        raise MarksAtFault("the two marks lie on edges of different metal: mark both ends of the same edge")
    return _filled(labels == chosen[0]), (int(low[0]), int(low[1]))


def _pieces(surface: Surface, window: Any) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.float32]]:
    """Number of each pixel's piece (0 where none), and depths in mm smoothed over 3 × 3 pixels."""
    usable = surface.usable[window]
    depth = np.where(usable, surface.xyz_mm[window][..., 2], 0.0).astype(np.float32)
    count = cv2.blur(usable.astype(np.float32), (3, 3))
    smooth = cv2.blur(depth, (3, 3)) / np.maximum(count, 1e-6)
    seen = cv2.blur(usable.astype(np.float32), (3, 3)) > 0
    sigma = float(np.median(surface.sigma_mm[window][usable])) if usable.any() else 0.0
    most = _STEP_MM + _STEP_SIGMAS * sigma
    even = usable & (_bend(smooth, seen, 0) < most) & (_bend(smooth, seen, 1) < most)
    _, labels = cv2.connectedComponents(even.astype(np.uint8), connectivity=4)
    return _grown(labels.astype(np.int32), usable, depth), smooth


def _bend(depth: npt.NDArray[np.float32], seen: BoolArray, axis: int) -> npt.NDArray[np.float32]:
    """Second difference of depths over two pixels either way: nothing on a slant, the step at a step."""
    before, after = np.roll(depth, _APART_PX, axis), np.roll(depth, -_APART_PX, axis)
    both = seen & np.roll(seen, _APART_PX, axis) & np.roll(seen, -_APART_PX, axis)
    return np.where(both, np.abs(before + after - 2 * depth), 0.0).astype(np.float32)


def _grown(
    labels: npt.NDArray[np.int32], usable: BoolArray, depth: npt.NDArray[np.float32]
) -> npt.NDArray[np.int32]:
    """Give usable pixels next to a piece to it, where their depth is nearer to it than to any other."""
    for _ in range(_GROWN_PX):
        best = np.full(labels.shape, np.inf, dtype=np.float32)
        taken = labels.copy()
        for dv, du in ((0, 1), (0, -1), (1, 0), (-1, 0)):
            beside = np.roll(labels, (dv, du), axis=(0, 1))
            apart = np.abs(np.roll(depth, (dv, du), axis=(0, 1)) - depth)
            better = (labels == 0) & usable & (beside > 0) & (apart < best)
            taken[better], best[better] = beside[better], apart[better]
        labels = taken
    return labels


def _nearest_piece(labels: npt.NDArray[np.int32], depth: npt.NDArray[np.float32], mark: Array) -> int:
    """Number of the piece nearest to the head among the large ones close to a mark; 0 for none."""
    u, v = (round(float(one)) for one in mark)
    box = np.s_[max(v - _NEAR_PX, 0) : v + _NEAR_PX + 1, max(u - _NEAR_PX, 0) : u + _NEAR_PX + 1]
    near, at = labels[box], depth[box]
    numbers, counts = np.unique(near[near > 0], return_counts=True)
    found: list[tuple[float, int]] = []
    for number, count in sorted(zip(numbers, counts, strict=True), key=lambda pair: -pair[1])[
        :_PIECES_LOOKED_AT
    ]:
        if count >= 0.08 * near.size and int((labels == number).sum()) >= _LEAST_PIXELS:
            found.append((float(np.median(at[near == number])), int(number)))
    return min(found)[1] if found else 0


def _filled(metal: BoolArray) -> BoolArray:
    """The piece with single missing pixels filled and single pixels that stick out taken off."""
    kernel = np.ones((3, 3), dtype=np.uint8)
    closed = cv2.morphologyEx(metal.astype(np.uint8), cv2.MORPH_CLOSE, kernel)
    return np.asarray(cv2.morphologyEx(closed, cv2.MORPH_OPEN, kernel) > 0)


def _cut_out(
    rim: Array,
    marks_px: Array,
    beyond_px: float,
    metal: BoolArray,
    corner: tuple[int, int],
) -> Rim:
    """The shorter way round from the first mark to the second, carried on beyond both."""
    first, last = (int(np.argmin(np.linalg.norm(rim - mark, axis=1))) for mark in marks_px)
    count = len(rim)
    ahead = (last - first) % count
    step, between = (
        (1, ahead)
        if _length(rim, first, ahead, 1) <= _length(rim, first, count - ahead, -1)
        else (-1, count - ahead)
    )
    border = _on_border(rim, metal, corner)
    order = first + step * np.arange(between + 1)
    spare = max(count - between - 1, 0) // 2
    before = _until_border(border, first, -step, beyond_px, rim, spare)
    after = _until_border(border, last, step, beyond_px, rim, spare)
    index = np.concatenate([before[::-1], order, after]) % count
    cut = bool(border[order % count].any())
    return Rim(rim[index], len(before), len(before) + between, metal, corner, cut)


def _length(rim: Array, start: int, steps: int, way: int) -> float:
    path = rim[(start + way * np.arange(steps + 1)) % len(rim)]
    return float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())


def _on_border(rim: Array, metal: BoolArray, corner: tuple[int, int]) -> BoolArray:
    inside = rim - corner
    high = np.array([metal.shape[1] - 1, metal.shape[0] - 1])
    return np.asarray(np.any((inside < _BORDER_PX) | (inside > high - _BORDER_PX), axis=1))


def _until_border(
    border: BoolArray, start: int, way: int, beyond_px: float, rim: Array, spare: int
) -> npt.NDArray[np.intp]:
    steps = start + way * np.arange(1, min(int(beyond_px * 1.5) + 2, spare + 1))
    if not len(steps):
        return np.empty(0, dtype=np.intp)
    index = steps % len(rim)
    path = np.concatenate([rim[start % len(rim)][None], rim[index]])
    arc = np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))
    stop = np.flatnonzero(border[index] | (arc > beyond_px))
    return np.asarray(index[: stop[0]] if len(stop) else index)
