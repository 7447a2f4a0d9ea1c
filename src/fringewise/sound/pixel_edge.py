"""How much of a square pixel lies on the near side of an edge, and how pixels lie about a line.

A pixel that an edge crosses gathers light of both sides by area. Its camera blurs by a bell of its own first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.spatial import cKDTree
from scipy.special import ndtr

from fringewise.core.checks import Array

_LEAST_BLUR_PX: Final = 0.06
_LEAST_SIDE: Final = 0.02
_SQUARE_MOMENT: Final = 1 / 12


def share_inside(depth_px: Array, normal: Array, blur_px: float) -> tuple[Array, Array]:
    """Share of a pixel inside a straight edge, and its derivative by the depth.

    Parameters
    ----------
    depth_px : (N,) array
        How far the pixel's centre lies inside the edge.
    normal : (N, 2) array
        Unit direction across the edge there.
    blur_px : float
        Standard deviation of the camera's blur.

    Notes
    -----
    The share is the distribution of a U₁ + b U₂ + blur · Z with a, b = |normal|, U even over ± ½, Z normal:
    second differences of Ψ with Ψ'' = Φ, that is Ψ(t) = ½ ((t² + σ²) Φ(t/σ) + t σ φ(t/σ)).

    Examples
    --------
    >>> inside, slope = share_inside(np.array([-1.0, 0.0, 0.25]), np.array([[1.0, 0.0]] * 3), 0.0)
    >>> inside.round(2).tolist(), slope.round(1).tolist()
    ([0.0, 0.5, 0.75], [0.0, 1.0, 1.0])
    """
    sigma = max(blur_px, _LEAST_BLUR_PX)
    a, b = np.maximum(np.abs(normal), _LEAST_SIDE).T
    inside, slope = np.zeros_like(depth_px), np.zeros_like(depth_px)
    for sign, offset in ((1, (a + b) / 2), (-1, (a - b) / 2), (-1, (b - a) / 2), (1, -(a + b) / 2)):
        t = depth_px + offset
        below, bell = ndtr(t / sigma), np.exp(-0.5 * (t / sigma) ** 2) / np.sqrt(2 * np.pi)
        inside += sign * 0.5 * ((t * t + sigma * sigma) * below + t * sigma * bell)
        slope += sign * (t * below + sigma * bell)
    return inside / (a * b), slope / (a * b)


@dataclass(frozen=True, slots=True)
class AboutLine:
    """Pixels about a line, each with its nearest place on it (all arrays (N,) but `normal`).

    Attributes
    ----------
    rows, columns : int arrays
        In the photo.
    along_px : float
        Where the nearest place lies along the line.
    depth_px : float
        How far the pixel's centre lies inside (against the normal), the line's bend within the pixel allowed
        for.
    normal : (N, 2) array
    """

    rows: np.ndarray
    columns: np.ndarray
    along_px: Array
    depth_px: Array
    normal: Array


def pixels_about(
    line_px: Array, outward: Array, reach_px: float, shape: tuple[int, int], blur_px: float
) -> AboutLine:
    """Collect the pixels within reach of a line (N, 2) of even points whose normals are given."""
    along = arc_px(line_px)
    low = np.maximum(np.floor(line_px.min(axis=0) - reach_px).astype(int), 0)
    high = np.minimum(np.ceil(line_px.max(axis=0) + reach_px).astype(int) + 1, [shape[1], shape[0]])
    columns, rows = (a.ravel() for a in np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1])))
    centres = np.column_stack([columns, rows]).astype(np.float64)
    found = cKDTree(line_px).query(centres, distance_upper_bound=reach_px + 1.0)
    away, nearest = np.asarray(found[0]), np.asarray(found[1], dtype=np.intp)
    good = np.isfinite(away) & (nearest > 0) & (nearest < len(line_px) - 1)
    rows, columns, centres, nearest = rows[good], columns[good], centres[good], nearest[good]
    tangent = np.column_stack([-outward[:, 1], outward[:, 0]])
    tangent *= np.sign(np.sum(tangent[1] * (line_px[2] - line_px[0])))
    gap = centres - line_px[nearest]
    bend = _bend(line_px, outward, along)[nearest]
    step = np.clip(np.einsum("ni,ni->n", gap, tangent[nearest]), -1.0, 1.0)
    depth = -np.einsum("ni,ni->n", gap, outward[nearest]) + 0.5 * bend * step**2
    depth += 0.5 * bend * (_SQUARE_MOMENT + blur_px**2)
    at = along[nearest] + step
    normal = np.column_stack([np.interp(at, along, outward[:, n]) for n in (0, 1)])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    near = np.abs(depth) <= reach_px
    return AboutLine(rows[near], columns[near], at[near], depth[near], normal[near])


def arc_px(line: Array) -> Array:
    """Distance (N,) along a line (N, d) from its first point."""
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])


def evenly(line: Array, step: float = 1.0) -> Array:
    """A line's points at even distances of about `step`."""
    along = arc_px(line)
    at = np.linspace(0.0, along[-1], max(round(along[-1] / step), 8) + 1)
    return np.column_stack([np.interp(at, along, line[:, n]) for n in range(line.shape[1])])


def smoothed(line: Array, width: float) -> Array:
    """A line (N, 2) of even points run through a bell of that many points, its ends mirrored."""
    half = min(int(3 * width) + 1, len(line) - 1)
    weights = np.exp(-0.5 * (np.arange(-half, half + 1) / width) ** 2)
    padded = np.vstack([2 * line[0] - line[half:0:-1], line, 2 * line[-1] - line[-2 : -half - 2 : -1]])
    return np.column_stack([np.convolve(padded[:, n], weights / weights.sum(), mode="valid") for n in (0, 1)])


def across(line: Array) -> Array:
    """Unit normals (N, 2) of a line of even points, to the right of its way when v points down."""
    slope = np.gradient(line, axis=0)
    slope /= np.linalg.norm(slope, axis=1, keepdims=True)
    return np.column_stack([-slope[:, 1], slope[:, 0]])


def _bend(line: Array, outward: Array, along: Array) -> Array:
    """Curvature (N,) of a line; positive where its middle lies inside its neighbours' chord (a hollow)."""
    second = np.gradient(np.gradient(line, along, axis=0), along, axis=0)
    return np.asarray(np.clip(np.einsum("ni,ni->n", second, outward), -0.5, 0.5))
