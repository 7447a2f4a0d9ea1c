"""One cast of a scene: where the rays of each pixel meet metal, kept once for as many exposures as wanted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.capture.head import Head
from fringewise.core.checks import Array
from fringewise.core.progress import Progress, Silent
from fringewise.virtual.caster import NOTHING, Caster, PatchNumbers
from fringewise.virtual.optics import pattern_place
from fringewise.virtual.patch import BoolArray, Scene
from fringewise.virtual.pixel_rays import Centres, PixelHits, look_at_centres, look_at_pixels, pixel_offsets
from fringewise.virtual.pixel_truth import PixelTruth

Float32Array = npt.NDArray[np.float32]

RAYS_PER_PIXEL: Final = 9

_RAYS_AT_ONCE: Final = 30_000
"""Few enough for a block's arrays to stay in a processor's cache."""


@dataclass(frozen=True, slots=True)
class Hits:
    """Where M rays met metal, pixel after pixel (row by row), camera's frame.

    Attributes
    ----------
    scene, head
        As cast.
    rays_per_pixel : int
        Rays sent out; those that met nothing are not listed.
    first : (H · W + 1,) int64
        Rays first[p] … first[p + 1] − 1 are those of pixel p.
    patch : (M,) int16
    st : (M, 2) float32
    xyz_mm, normal : (M, 3) float32
        The normal on the side that is looked at.
    albedo : (M,) float32
    lit : (M,) bool
        The projector's centre is in sight of the point.
    truth : PixelTruth
        Of the pixels' centre rays.
    """

    scene: Scene
    head: Head
    rays_per_pixel: int
    first: npt.NDArray[np.int64]
    patch: PatchNumbers
    st: Float32Array
    xyz_mm: Float32Array
    normal: Float32Array
    albedo: Float32Array
    lit: BoolArray
    truth: PixelTruth


def cast(
    scene: Scene, head: Head, rays_per_pixel: int = RAYS_PER_PIXEL, progress: Progress | None = None
) -> Hits:
    """Send the rays of every pixel into a scene.

    Parameters
    ----------
    scene : Scene
    head : Head
        Its camera and projector as they truly are.
    rays_per_pixel : int
        Odd, so that the centre is one of them; 9 by default.
    progress : Progress, optional

    Returns
    -------
    Hits
    """
    offsets = pixel_offsets(rays_per_pixel)
    caster = Caster(scene)
    told = progress or Silent()
    pixels = head.camera.height * head.camera.width
    centres = look_at_centres(caster, head, _RAYS_AT_ONCE)
    store = _Store(pixels, rays_per_pixel)
    at_once = max(1, _RAYS_AT_ONCE // rays_per_pixel)
    for start in range(0, pixels, at_once):
        told.step("casting rays", start, pixels)
        block = np.arange(start, min(start + at_once, pixels))
        store.take(block, look_at_pixels(caster, head, offsets, block, centres))
    told.step("casting rays", pixels, pixels)
    return store.hits(scene, head, rays_per_pixel, _truth(caster, head, centres))


class _Store:
    """Takes hits block by block into arrays large enough for all (memory is only used as it fills)."""

    def __init__(self, pixels: int, rays: int) -> None:
        most = pixels * rays
        self.first = np.zeros(pixels + 1, dtype=np.int64)
        self.used = 0
        self.patch = np.empty(most, dtype=np.int16)
        self.st = np.empty((most, 2), dtype=np.float32)
        self.xyz_mm = np.empty((most, 3), dtype=np.float32)
        self.normal = np.empty((most, 3), dtype=np.float32)
        self.albedo = np.empty(most, dtype=np.float32)
        self.lit = np.empty(most, dtype=np.bool_)

    def take(self, pixels: npt.NDArray[np.int64], block: PixelHits) -> None:
        new = slice(self.used, self.used + len(block.patch))
        for name in ("patch", "st", "xyz_mm", "normal", "albedo", "lit"):
            getattr(self, name)[new] = getattr(block, name)
        self.first[pixels + 1] = self.used + np.cumsum(block.count)
        self.used = new.stop

    def hits(self, scene: Scene, head: Head, rays: int, truth: PixelTruth) -> Hits:
        n = self.used
        return Hits(
            scene,
            head,
            rays,
            self.first,
            self.patch[:n],
            self.st[:n],
            self.xyz_mm[:n],
            self.normal[:n],
            self.albedo[:n],
            self.lit[:n],
            truth,
        )


def _truth(caster: Caster, head: Head, centres: Centres) -> PixelTruth:
    scene, shape = caster.scene, (head.camera.height, head.camera.width)
    met = centres.met.patch != NOTHING
    xyz = np.full((len(met), 3), np.nan)
    xyz[met] = centres.met.depth[met, None] * centres.directions[met]
    lit = centres.in_light.copy()
    lit[lit] = _in_pattern(xyz[lit], head)
    return PixelTruth(
        xyz.reshape(*shape, 3),
        centres.met.patch.reshape(shape),
        np.where(met[:, None], centres.met.st, np.nan).reshape(*shape, 2),
        lit.reshape(shape),
        tuple(patch.name for patch in scene.patches),
        scene.rotation,
        scene.translation_mm,
        scene.truths,
    )


def _in_pattern(xyz_mm: Array, head: Head) -> BoolArray:
    column, row = pattern_place(xyz_mm, head)
    return np.asarray((column >= 0) & (column <= 1) & ~((row < 0) | (row > 1)))
