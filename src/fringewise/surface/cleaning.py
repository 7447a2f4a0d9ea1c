"""Cleaning: pixels that see two surfaces at once, and small patches that hang in the air, are flagged."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from fringewise.core.bands import in_bands
from fringewise.core.checks import positive
from fringewise.core.flags import Flag, usable
from fringewise.surface import cleaning_kernels as kernels
from fringewise.surface.surface import Float32Array, Surface

BoolImage = npt.NDArray[np.bool_]
ByteImage = npt.NDArray[np.uint8]

_LEAST_SUPPORT: Final = 5
_LEAST_ALONE: Final = 3
"""Joined neighbours that a pixel needs where none lies on another surface: the rest are merely too dark."""


@dataclass(frozen=True, slots=True)
class CleaningRule:
    """What counts as one surface, and how far an outline pixel may be off.

    Attributes
    ----------
    steepest_deg : float
        Neighbours whose step needs a face steeper than this, seen from the head, and is beyond five standard
        deviations, lie on two surfaces. It scales with stand-off and pixel size by itself.
    most_deviations : float
        Most standard deviations that an outline pixel may be off the surface further inside.
    modulation_share : tuple of float
        Least and most modulation of an outline pixel, as a share of that of the pixels further inside.
    share_of_brightest : float
        Least modulation of an outline pixel as a share of its brightest neighbour's: next to something much
        brighter even a sliver of it spoils the phase.
    island_px : int
        Connected patches of fewer pixels are islands.
    """

    steepest_deg: float = 80.0
    most_deviations: float = 3.5
    modulation_share: tuple[float, float] = (0.8, 1.25)
    share_of_brightest: float = 0.5
    island_px: int = 40

    def __post_init__(self) -> None:
        positive("most_deviations", self.most_deviations)
        if not 0 < self.steepest_deg < 90:
            raise ValueError(f"steepest_deg must lie between 0 and 90 (found {self.steepest_deg})")
        if not 0 <= self.modulation_share[0] < 1 < self.modulation_share[1]:
            raise ValueError(f"modulation_share must lie either side of 1 (found {self.modulation_share})")


def clean(surface: Surface, rule: CleaningRule | None = None) -> Surface:
    """Flag mixed pixels (``MIXED``) and islands (``ISLAND``); nothing is moved or removed.

    A pixel stays when 5 or more of its 8 neighbours lie on the same surface and, within two pixels of an
    outline or a step in depth, when it agrees in depth and modulation with a plane through the pixels further
    inside. So texture in the middle of a face is never taken for an edge. What can't be told: a step of two
    pixels' width times the tangent of the steepest slope (0.27 mm at 17 mm with a focal length of 700 px) is
    taken for a steep face, and a pixel mixed across it stays.

    Parameters
    ----------
    surface : Surface
        Needs its head; modulation is not judged where the surface has none.
    rule : CleaningRule, optional
    """
    rule = rule or CleaningRule()
    mixed, island = marked(surface, rule)
    flags = surface.flags | (mixed * np.uint16(Flag.MIXED)) | (island * np.uint16(Flag.ISLAND))
    return replace(surface, flags=flags.astype(np.uint16))


def marked(surface: Surface, rule: CleaningRule) -> tuple[BoolImage, BoolImage]:
    """Say which usable pixels are mixed and which are islands (H, W)."""
    z = np.ascontiguousarray(surface.xyz_mm[..., 2])
    live = usable(surface.flags) & (z > 0) & (surface.sigma_mm > 0)
    slope2 = (math.tan(math.radians(rule.steepest_deg)) / focal_px(surface)) ** 2
    links = np.zeros((4, z.shape[0] + 1, z.shape[1] + 2), dtype=np.uint8)
    sigma = np.ascontiguousarray(surface.sigma_mm)
    in_bands(len(z), lambda *rows: kernels.link_neighbours(z, sigma, live, np.float32(slope2), links, *rows))
    kept = _agreeing(surface, z, live, _link_sums(links), slope2, rule)
    island = np.empty_like(kept)
    kernels.mark_islands(links, kept, rule.island_px, island)
    return live & ~kept, island


def _link_sums(links: ByteImage) -> ByteImage:
    """Sum of each pixel's 8 links (H, W)."""
    here, above = links[:, 1:, :], links[:, :-1, :]
    right, below_left, below, below_right = (here[n, :, 1:-1] for n in range(4))
    total = right + here[0, :, :-2]
    for part in (below_left, below, below_right, above[1, :, 2:], above[2, :, 1:-1], above[3, :, :-2]):
        total += part
    return np.asarray(total)


def _agreeing(
    surface: Surface, z: Float32Array, live: BoolImage, totals: ByteImage, slope2: float, rule: CleaningRule
) -> BoolImage:
    """Pixels with support from their neighbours that, near an outline, agree with what lies inside."""
    joined, at_step = totals & 15, totals >= kernels.BEYOND
    kept = live & ((joined >= _LEAST_SUPPORT) | ((joined >= _LEAST_ALONE) & ~at_step))
    saturated = (surface.flags & np.uint16(Flag.SATURATED)) > 0  # metal all the same: no outline
    first = _near((~kept & ~saturated) | at_step) & kept
    inside = np.where(first, np.int8(1), np.where(_near(first), np.int8(2), np.int8(3)))
    inside[~kept] = 0
    modulation = surface.modulation if surface.modulation is not None else np.ones_like(z)
    limits = (rule.most_deviations, *rule.modulation_share, rule.share_of_brightest)
    shown = (z, surface.sigma_mm, np.ascontiguousarray(modulation), at_step)
    mixed = np.zeros_like(live)
    for ring in (2, 1):
        judge = functools.partial(
            kernels.disagreeing, *shown, inside, ring, slope2, limits, _modulation_noise(surface), mixed
        )
        in_bands(len(z), judge)
        inside[mixed] = 0
    return kept & ~mixed


def _near(marks: BoolImage) -> BoolImage:
    """Pixels that have one of their 8 neighbours, or themselves, among `marks`."""
    spread = cv2.dilate(marks.view(np.uint8), np.ones((3, 3), dtype=np.uint8))
    return np.asarray(spread, dtype=np.bool_)


def _modulation_noise(surface: Surface) -> tuple[float, float]:
    """Read-out variance of a frame and its variance for each grey level of modulation (mean level: twice)."""
    noise = surface.head.noise if surface.head is not None else None
    return (noise.read_dn**2, 2 * noise.gain_dn_per_electron) if noise is not None else (1.0, 0.0)


def focal_px(surface: Surface) -> float:
    """Focal length in pixels: the head's, else from the spread of the points' own rays."""
    if surface.head is not None:
        return math.sqrt(surface.head.camera.lens.fx * surface.head.camera.lens.fy)
    z = surface.xyz_mm[..., 2]
    ray_step = np.hypot(*(np.diff(surface.xyz_mm[..., n] / z, axis=1) for n in range(2)))
    return float(1 / np.nanmedian(ray_step))
