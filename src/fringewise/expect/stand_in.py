"""A stand-in for metal that is not there yet: a smooth surface as a head would measure it, with a damage.

No frames are made: each pixel's ray meets the metal, and the pattern column there gets the noise that the
fringes, their modulation and the camera's noise give it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from fringewise.capture.head import Head, NoiseModel, rotation_from_vector
from fringewise.capture.plan import FringeSet
from fringewise.core.checks import Array
from fringewise.core.flags import Flag
from fringewise.surface.rays import points_on_rays, ray_table
from fringewise.surface.surface import Surface

Height = Callable[[Array, Array], Array]
"""Gives the metal's height (mm, towards the head) over the stand-in's plane at places (a, b), mm."""

TYPICAL_NOISE: Final = NoiseModel(1.23, 0.02, 8)
"""Taken where the head states no noise."""

CURVATURE_RADIUS_MM: Final = 30.0
"""The stand-in bends along a like a blade's side."""

USUAL_TILT_DEG: Final = 12.0
"""Of the metal to the line of sight's cross plane, where it is not known."""

CONTRAST: Final = 0.8
"""Modulation over mean level, for the light that the noise goes with."""

INK_SHARE: Final = 0.25
"""Light that a dark marking sends back, as a share of the metal's, where dots and corners are taken alike."""

_ASIDE_MM: Final = 1.3
_MEETINGS: Final = 4
_PAPER_DN: Final = 120
_INK_DN: Final = 25
_BLUR_PX: Final = 0.7


@dataclass(frozen=True, slots=True)
class Light:
    """What the fringes look like: their count across the pattern, shifts, amplitude in grey levels."""

    fringes: float = 49.0
    steps: int = 4
    modulation_dn: float = 60.0

    @property
    def fringe_set(self) -> FringeSet:
        """The finest set, with even shifts."""
        return FringeSet(self.fringes, tuple(2 * math.pi * n / self.steps for n in range(self.steps)))

    def column_sigma(self, noise: NoiseModel, modulation_dn: Array) -> Array:
        """Standard deviation of pixels' pattern columns: var φ = 2 σ² / (N B²)."""
        variance = noise.variance_dn2(noise.dark_dn + modulation_dn / CONTRAST)
        spread = np.sqrt(2 * variance / self.steps) / modulation_dn
        return np.asarray(spread / (2 * math.pi * self.fringes))


@dataclass(frozen=True, slots=True)
class StandIn:
    """Where the stand-in's plane stands: a place (a, b) lies at middle + a · first + b · second."""

    head: Head
    height: Height
    middle_mm: Array
    first: Array
    second: Array
    normal: Array

    def pixels(self, places: Array) -> Array:
        """Pixels (N, 2) at which places (N, 2) on the metal are seen."""
        up = self.height(places[:, 0], places[:, 1])
        points = (
            self.middle_mm
            + places[:, :1] * self.first
            + places[:, 1:] * self.second
            + up[:, None] * self.normal
        )
        return np.column_stack(
            self.head.camera.lens.pixel(points[:, 0] / points[:, 2], points[:, 1] / points[:, 2])
        )


@dataclass(frozen=True, slots=True)
class Place:
    """How metal stands before the head: its middle (mm), the direction of a on it, and away from the head."""

    middle_mm: Array
    first: Array
    away: Array


def usual_place(standoff_mm: float, tilt_deg: float = USUAL_TILT_DEG) -> Place:
    """Give a place in the middle of the picture, tilted mostly along a."""
    tilt = math.radians(tilt_deg)
    turn = rotation_from_vector([0.6 * tilt, 0.8 * tilt, 0.0])
    return Place(np.array([_ASIDE_MM, 0.0, standoff_mm]), turn[:, 0], turn[:, 2])


def stand_in(head: Head, place: Place, height: Height) -> StandIn:
    """Put the stand-in at a place, its normal towards the head."""
    middle, first, away = place.middle_mm, place.first, place.away
    second = np.cross(away, first)

    def bent(a: Array, b: Array) -> Array:
        return np.asarray(height(a, b) - a * a / (2 * CURVATURE_RADIUS_MM))

    return StandIn(head, bent, middle, first, second, -away)


def surface_of(
    standing: StandIn,
    light: Light,
    rng: np.random.Generator,
    ink: Callable[[Array, Array], Array] | None = None,
) -> Surface:
    """Measure the stand-in: a point and its noise for each pixel that sees lit metal.

    Parameters
    ----------
    standing : StandIn
    light : Light
    rng : numpy Generator
    ink : callable, optional
        Gives for places (a, b) how far inside a dark marking they lie, mm; the photo shows it.
    """
    head = standing.head
    table = ray_table(head.camera)
    rays = np.stack([table.x, table.y, np.ones_like(table.x)], axis=-1).astype(np.float64)
    along = rays @ standing.normal
    level = float(standing.middle_mm @ standing.normal)
    up = np.zeros(along.shape)
    with np.errstate(all="ignore"):
        for _ in range(_MEETINGS):
            points = rays * ((level + up) / along)[..., None]
            off = points - standing.middle_mm
            a, b = off @ standing.first, off @ standing.second
            up = np.nan_to_num(standing.height(a, b))
        points = rays * ((level + up) / along)[..., None]
    column, _ = head.projector.column_row(points)
    lit = (column > 0) & (column < 1) & (points[..., 2] > 0)
    covered = _covered(a, b, ink, points[..., 2] / head.camera.lens.fx)
    fall = _falloff(standing, points, lit)
    modulation = light.modulation_dn * fall * (1 - (1 - INK_SHARE) * covered)
    sigma = light.column_sigma(head.noise or TYPICAL_NOISE, modulation)
    read = np.where(lit, column + sigma * rng.standard_normal(column.shape), np.nan).astype(np.float32)
    spread = np.where(lit, sigma, np.nan).astype(np.float32)
    flags = np.where(lit, 0, int(Flag.NO_SURFACE)).astype(np.uint16)
    xyz, sigma_mm, found = points_on_rays(head, read, spread, flags)
    return Surface(
        xyz,
        sigma_mm,
        found,
        photo=_photo(covered, rng),
        modulation=modulation.astype(np.float32),
        head=head,
        finest_set=light.fringe_set,
    )


def _falloff(standing: StandIn, points: Array, lit: np.typing.NDArray[np.bool_]) -> Array:
    """How the projector's light falls off over the picture, cos θ / r², about its median of 1."""
    projector = standing.head.projector
    towards = -projector.rotation.T @ projector.translation_mm - points
    apart = np.linalg.norm(towards, axis=-1)
    with np.errstate(all="ignore"):
        light = np.maximum(towards @ standing.normal, 0.02 * apart) / apart**3
    usual = float(np.median(light[lit])) if lit.any() else 1.0
    return np.where(lit, light / usual, 1.0)


def _covered(a: Array, b: Array, ink: Callable[[Array, Array], Array] | None, pixel_mm: Array) -> Array:
    """Share of each pixel that a dark marking covers, 0 … 1."""
    if ink is None:
        return np.zeros(a.shape)
    return np.nan_to_num(np.clip(0.5 + ink(a, b) / (2.5 * _BLUR_PX * pixel_mm), 0, 1))


def _photo(covered: Array, rng: np.random.Generator) -> np.typing.NDArray[np.uint8]:
    levels = _PAPER_DN + (_INK_DN - _PAPER_DN) * covered + rng.normal(0, 1.5, covered.shape)
    return np.clip(np.rint(levels), 0, 255).astype(np.uint8)
