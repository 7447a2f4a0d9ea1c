"""From loose points in an image to the rows and columns of a grid, with no knowledge of how it lies."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.spatial import KDTree

from fringewise.core.checks import Array

IndexArray = npt.NDArray[np.intp]
Cell = tuple[int, int]

_SEEDS: Final = 24
_NEIGHBOURS: Final = 9
_LEAST_CROSSING: Final = 0.35  # sine of the angle between the two steps of a grid
_NEAR: Final = 0.28  # of the step: how far off its expected place the next point may lie
_LEAST_FILLED: Final = 0.75
_STEPS: Final[tuple[Cell, ...]] = ((1, 0), (0, 1), (-1, 0), (0, -1))


@dataclass(frozen=True, slots=True)
class Lattice:
    """A grid found among loose points.

    Attributes
    ----------
    places : (rows, columns, 2) array
        Pixels, columns rising to the right of rows: (step along a row) × (step down a column) > 0, as seen in
        an image with v down. NaN where a point is missing.
    members : (rows, columns) of int
        Which of the loose points stands there; −1 where none does.
    """

    places: Array
    members: IndexArray


def find_lattice(points: Array, columns: int, rows: int) -> Lattice | None:
    """Find a grid of columns × rows among points (N, 2); None where there is none.

    From a seed and two of its neighbours the grid grows from point to point, each next one expected a local
    step further. It is taken if it has just the rows and columns asked for, three quarters of them filled.
    Which end comes first can't be told from places alone: rows run as near to +u as they can.
    """
    if len(points) < 4:
        return None
    tree = KDTree(points)
    middle = np.median(points, axis=0)
    best: Lattice | None = None
    for seed in np.argsort(np.hypot(*(points - middle).T))[:_SEEDS]:
        for first, second in _bases(points, int(seed)):
            found = _fitted(_grown(points, tree, int(seed), first, second), points, columns, rows)
            if found is not None and (best is None or _filled(found) > _filled(best)):
                best = found
        if best is not None and _filled(best) == columns * rows:
            return best
    return best


def turned(lattice: Lattice) -> Lattice:
    """The same grid counted from its other end (half a turn)."""
    return Lattice(lattice.places[::-1, ::-1], lattice.members[::-1, ::-1])


def local_steps(places: Array) -> tuple[Array, Array]:
    """Steps (rows, columns, 2) along the row and down the column at each place, from its neighbours."""
    return _nan_gradient(places, 1), _nan_gradient(places, 0)


def filled_in(places: Array) -> Array:
    """The places with missing ones put where their neighbours expect them; NaN where none can tell."""
    made = places.copy()
    rows, columns = places.shape[:2]
    for i, j in np.argwhere(np.isnan(places[..., 0])):
        guesses = []
        for di, dj in _STEPS:
            near, far = (i + di, j + dj), (i + 2 * di, j + 2 * dj)
            if 0 <= far[0] < rows and 0 <= far[1] < columns:
                guesses.append(2 * places[near] - places[far])
        known = [one for one in guesses if np.all(np.isfinite(one))]
        if known:
            made[i, j] = np.mean(known, axis=0)
    return made


def _bases(points: Array, seed: int) -> list[tuple[Array, Array]]:
    count = min(_NEIGHBOURS, len(points))
    near = np.argsort(np.hypot(*(points - points[seed]).T))[:count]
    steps = [points[n] - points[seed] for n in near[1:]]
    made = []
    for a, first in enumerate(steps[:4]):
        for second in steps[a + 1 :]:
            crossing = first[0] * second[1] - first[1] * second[0]
            if abs(crossing) > _LEAST_CROSSING * np.linalg.norm(first) * np.linalg.norm(second):
                made.append((first, second) if crossing > 0 else (second, first))
    return made[:8]


def _grown(points: Array, tree: KDTree, seed: int, first: Array, second: Array) -> dict[Cell, int]:
    cells: dict[Cell, int] = {(0, 0): seed}
    taken = {seed}
    steps: dict[Cell, tuple[Array, Array]] = {(0, 0): (first, second)}
    queue = deque([(0, 0)])
    while queue:
        cell = queue.popleft()
        own = _own_steps(cells, points, cell, steps[cell])
        for di, dj in _STEPS:
            other = cell[0] + di, cell[1] + dj
            if other in cells:
                continue
            step = di * own[0] + dj * own[1]
            apart, found = tree.query(points[cells[cell]] + step)
            if apart <= _NEAR * np.linalg.norm(step) and found not in taken:
                cells[other], steps[other] = int(found), own
                taken.add(int(found))
                queue.append(other)
    return cells


def _own_steps(
    cells: dict[Cell, int], points: Array, cell: Cell, default: tuple[Array, Array]
) -> tuple[Array, Array]:
    here, made = points[cells[cell]], []
    for (di, dj), fallback in zip(((1, 0), (0, 1)), default, strict=True):
        ahead, behind = (cell[0] + di, cell[1] + dj), (cell[0] - di, cell[1] - dj)
        parts = [points[cells[ahead]] - here] if ahead in cells else []
        parts += [here - points[cells[behind]]] if behind in cells else []
        made.append(np.mean(parts, axis=0) if parts else fallback)
    return made[0], made[1]


def _fitted(cells: dict[Cell, int], points: Array, columns: int, rows: int) -> Lattice | None:
    index = np.array(list(cells))
    low = index.min(axis=0)
    across, down = (int(n) for n in np.ptp(index, axis=0) + 1)
    grown = np.full((down, across), -1, dtype=np.intp)
    for (a, b), n in cells.items():
        grown[b - low[1], a - low[0]] = n
    members = _window(grown, columns, rows)
    if members is None:
        return None
    places = np.where(members[..., None] >= 0, points[members], np.nan)
    lattice = Lattice(places, members)
    return turned(lattice) if np.nanmean(local_steps(places)[0][..., 0]) < 0 else lattice


def _window(grown: IndexArray, columns: int, rows: int) -> IndexArray | None:
    """The fullest field of columns × rows, either way round; None where two are as full or none is enough.

    A few stray points beyond the grid's rim may have joined it.
    """
    best: IndexArray | None = None
    fullest, again = 0, False
    for turn in (grown, np.rot90(grown)) if columns != rows else (grown,):  # a quarter turn is no mirror
        for top in range(turn.shape[0] - rows + 1):
            for left in range(turn.shape[1] - columns + 1):
                field = turn[top : top + rows, left : left + columns]
                filled = int(np.sum(field >= 0))
                again = filled == fullest or (again and filled < fullest)
                if filled > fullest:
                    best, fullest = field, filled
    return best if best is not None and not again and fullest >= _LEAST_FILLED * columns * rows else None


def _filled(lattice: Lattice) -> int:
    return int(np.sum(lattice.members >= 0))


def _nan_gradient(places: Array, axis: int) -> Array:
    forward = np.full_like(places, np.nan)
    ahead = [slice(None)] * 3
    behind = [slice(None)] * 3
    ahead[axis], behind[axis] = slice(1, None), slice(None, -1)
    steps = places[tuple(ahead)] - places[tuple(behind)]
    forward[tuple(behind)] = steps
    backward = np.full_like(places, np.nan)
    backward[tuple(ahead)] = steps
    both = np.stack([forward, backward])
    known = np.isfinite(both)
    count = known.sum(axis=0)
    return np.where(count > 0, np.where(known, both, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)
