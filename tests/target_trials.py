"""Heads drawn at random, targets with a printer's errors, and what the one would see of the other.

Written from the formats page alone: the projections here are the tests' own, not those of the calibration.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from fringewise.calibrate.target import Target
from fringewise.calibrate.views import Coordinate, TargetView
from fringewise.capture import Camera, Head, Lens, Projector
from fringewise.capture.head import rotation_from_vector
from fringewise.core.checks import Array
from fringewise.virtual import pattern_place, project, standard_head
from fringewise.virtual.optics import directions

SIGMA_PX = 0.03
SIGMA_COLUMN = 1.5e-5
LIT = (0.03, 0.97)


def drawn_head(rng: np.random.Generator, *, rows: bool) -> Head:
    """A head like the standard one, off by what makers leave: some per cent, some degrees."""
    base = standard_head()
    f = 700 * (1 + 0.02 * rng.standard_normal())
    k = (
        -0.11 + 0.03 * rng.standard_normal(),
        0.035 + 0.015 * rng.standard_normal(),
        0.001 * rng.standard_normal(),
        0.001 * rng.standard_normal(),
        0.006 * rng.standard_normal(),
    )
    middle = np.array([479.5, 359.5]) + 9 * rng.standard_normal(2)
    aspect = 1 + 0.002 * rng.standard_normal()
    camera = Camera(960, 720, Lens(f, f * aspect, float(middle[0]), float(middle[1]), k))
    q = (0.02 * rng.standard_normal(), 0.01 * rng.standard_normal(), *(0.0007 * rng.standard_normal(2)), 0.0)
    fx = 0.72 * (1 + 0.02 * rng.standard_normal())
    lens = Lens(fx, 1.0, 0.5 + 0.02 * rng.standard_normal(), 0.0, q)
    if rows:
        lens = Lens(
            fx, fx * (1 + 0.01 * rng.standard_normal()), lens.cx, 0.375 + 0.02 * rng.standard_normal(), q
        )
    turn = rotation_from_vector(np.radians(1.5) * rng.standard_normal(3))
    place = np.array([-2.6, 0.0, 0.0]) + 0.08 * rng.standard_normal(3)
    if not rows:  # columns alone don't tell it: it is put at 0
        place[1] = 0.0
    projector = Projector(lens, 1.0, 0.75 if rows else None, turn, place)
    return replace(base, camera=camera, projector=projector)


def printed(target: Target, rng: np.random.Generator) -> Array:
    """The target's points as a printer left them: scale, single corners, and bends a board's width long."""
    points = target.points_mm()
    made = points * (1 + target.pitch_uncertainty_mm / target.pitch_mm * rng.standard_normal())
    made += (target.corner_uncertainty_mm or 0.0) * rng.standard_normal(points.shape)
    span = np.ptp(points[:, :2], axis=0).max()
    bend = np.zeros(len(points))
    for _ in range(6):
        wave = 2 * np.pi / (span * rng.uniform(0.6, 1.6))
        way = rng.uniform(0, np.pi)
        along = points[:, 0] * np.cos(way) + points[:, 1] * np.sin(way)
        bend += rng.standard_normal() * np.cos(wave * along + rng.uniform(0, 2 * np.pi))
    made[:, 2] += bend * (target.flatness_mm or 0.0) / 2 / np.sqrt(3)
    return made


@dataclass(frozen=True)
class Standing:
    """A pose of the target."""

    rotation: Array
    translation_mm: Array


def coarser(head: Head, times: int) -> Head:
    """The same head with `times` fewer pixels each way on the same sensor."""
    lens = head.camera.lens
    cx, cy = ((centre + 0.5) / times - 0.5 for centre in (lens.cx, lens.cy))
    fewer = Lens(lens.fx / times, lens.fy / times, cx, cy, lens.distortion)
    return replace(head, camera=Camera(head.camera.width // times, head.camera.height // times, fewer))


def drawn_pose(
    target: Target, head: Head, rng: np.random.Generator, reach_mm: tuple[float, float], share: float = 0.7
) -> Standing:
    """A pose of which a share of the points is seen and lit, tilted by up to 40°, any way round."""
    while True:
        tilt, way = np.radians(40) * np.sqrt(rng.uniform()), rng.uniform(0, 2 * np.pi)
        turn = rotation_from_vector(tilt * np.array([np.cos(way), np.sin(way), 0.0]))
        turn = turn @ rotation_from_vector([0.0, 0.0, rng.uniform(-np.pi, np.pi)])
        z = rng.uniform(*reach_mm)
        place = z * np.array([rng.uniform(-0.35, 0.35), rng.uniform(-0.3, 0.3), 1.0])
        if np.mean(seen(target.points_mm() @ turn.T + place, head)) >= share:
            return Standing(turn, place)


def seen(points: Array, head: Head) -> Array:
    """Which points of the camera frame are in the picture and in the pattern."""
    if points[:, 2].min() < 5:
        return np.zeros(len(points), dtype=bool)
    u, v = project(points, head)
    column = pattern_place(points, head)[0]
    inside = (u > 8) & (u < head.camera.width - 9) & (v > 8) & (v < head.camera.height - 9)
    return np.asarray(inside & (column > LIT[0]) & (column < LIT[1]))


def simulated_view(
    name: str, places: Array, pose: Standing, head: Head, rng: np.random.Generator, *, rows: bool
) -> TargetView:
    """Corners with noise, and the columns of where they were found, with noise."""
    points = places @ pose.rotation.T + pose.translation_mm
    at = np.flatnonzero(seen(points, head))
    pixels = np.column_stack(project(points[at], head))
    found = pixels + SIGMA_PX * rng.standard_normal(pixels.shape)
    normal = pose.rotation[:, 2]
    read = []
    for axis in range(2 if rows else 1):
        here = _pattern_at(pixels, normal, points[at], head, axis)
        slope = np.column_stack(
            [
                (_pattern_at(pixels + step, normal, points[at], head, axis) - here) / 0.5
                for step in ([0.5, 0.0], [0.0, 0.5])
            ]
        )
        values = (
            here + np.einsum("nm,nm->n", slope, found - pixels) + SIGMA_COLUMN * rng.standard_normal(len(at))
        )
        read.append(Coordinate(values, np.full(len(at), SIGMA_COLUMN), slope))
    return TargetView(name, at, found, np.full(len(at), SIGMA_PX), read[0], read[1] if rows else None)


def _pattern_at(pixels: Array, normal: Array, points: Array, head: Head, axis: int) -> Array:
    """Pattern coordinate where the rays of pixels meet the plane through each pixel's own point."""
    rays = directions(pixels[:, 0], pixels[:, 1], head)
    depth = (points @ normal) / (rays @ normal)
    return np.asarray(pattern_place(rays * depth[:, None], head)[axis])


def errors_of(stated: Head, true: Head) -> Array:
    """Stated − true of the parameters in the stated covariance, in its order (format 2)."""
    assert stated.covariance is not None
    turn = Rotation.from_matrix(stated.projector.rotation @ true.projector.rotation.T).as_rotvec()
    made = []
    for name in stated.covariance.parameters:
        owner, kind, *index = name.split(".")
        if kind == "rotation_vector":
            made.append(turn[int(index[0])])
            continue
        two = []
        for head in (stated, true):
            part = head.camera if owner == "camera" else head.projector
            if kind == "translation_mm":
                two.append(head.projector.translation_mm[int(index[0])])
            elif kind == "distortion":
                two.append(part.lens.distortion[int(index[0])])
            else:
                two.append(getattr(part.lens, kind))
        made.append(two[0] - two[1])
    return np.array(made, dtype=np.float64)


def whitened(stated: Head, true: Head) -> Array:
    """The errors divided by the root of their covariance: independent, of variance 1 where it is honest."""
    assert stated.covariance is not None
    matrix = stated.covariance.matrix
    unit = np.sqrt(np.diag(matrix))
    root = np.linalg.cholesky(matrix / np.outer(unit, unit))
    return np.asarray(np.linalg.solve(root, errors_of(stated, true) / unit))
