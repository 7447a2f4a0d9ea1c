"""One cast of a scene: where the rays of each pixel meet metal, kept once for as many exposures as wanted.

Each pixel's light is gathered along several rays spread evenly over its area, the centre among them. Rays are
spread as a lattice in which no two share a column or a row, so that outlines of any direction are drawn in
steps of 1/n pixel, and as many lie left as right: a smooth surface is not biased.

Where a pixel and its eight neighbours lie on one sheet with normals within 0.01 rad, its other rays end on
the centre's tangent plane: off the sheet by less than 0.1 µm in the pixel's corners. Everywhere else each ray
is followed to the sheet's formula. Cut-away metal and albedo are asked at every ray.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import gcd
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.capture.head import Head
from fringewise.core.checks import Array
from fringewise.core.kernels import kernel
from fringewise.core.progress import Progress, Silent
from fringewise.virtual.caster import NOTHING, Caster, Met, PatchNumbers
from fringewise.virtual.meeting import LOOSE_MM, TIGHT_MM
from fringewise.virtual.optics import directions, pattern_place, projector_centre
from fringewise.virtual.patch import BoolArray, Scene
from fringewise.virtual.pixel_truth import PixelTruth

Float32Array = npt.NDArray[np.float32]

RAYS_PER_PIXEL: Final = 9

_RAYS_AT_ONCE: Final = 150_000
_FLAT_COSINE: Final = 1 - 0.01**2 / 2


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
    height, width = head.camera.height, head.camera.width
    centre = _look_at_centres(caster, head, told)
    flat = _flat_pixels(centre, scene, head)
    rows = max(1, _RAYS_AT_ONCE // (width * rays_per_pixel))
    blocks: list[_Block] = []
    for top in range(0, height, rows):
        told.step("casting rays", top, height)
        pixels = np.arange(top * width, min(top + rows, height) * width)
        blocks.append(_cast_block(caster, head, offsets, pixels, centre, flat))
    told.step("casting rays", height, height)
    return _gathered(scene, head, rays_per_pixel, blocks, _truth(caster, head, centre))


def pixel_offsets(rays_per_pixel: int) -> Array:
    """Places (n, 2) of a pixel's rays relative to its centre, px; the centre's own is the middle one.

    A lattice: with h = (n − 1)/2 the k-th ray lies at (k, g k mod n)/n for k = −h … h, g chosen so that the
    rays keep apart.

    Examples
    --------
    >>> pixel_offsets(5).tolist()
    [[-0.4, 0.2], [-0.2, -0.4], [0.0, 0.0], [0.2, 0.4], [0.4, -0.2]]
    """
    n = rays_per_pixel
    if n < 1 or n % 2 == 0:
        raise ValueError(f"rays_per_pixel must be odd and 1 or more (found {n})")
    half = (n - 1) // 2
    across = np.arange(-half, half + 1)
    best, best_score = across, (-1.0, 0.0)
    for g in (g for g in range(1, n) if gcd(g, n) == 1):
        down = (g * across + half) % n - half
        others = across != 0
        apart = float(np.hypot(across[others], down[others]).min())
        score = (round(apart, 9), -abs(float(across @ down)))
        if score > best_score:
            best, best_score = down, score
    return np.column_stack([across, best]) / n


@dataclass(frozen=True, slots=True)
class _Block:
    """The hits of some pixels, as in `Hits`, with the number of hits of each pixel."""

    count: npt.NDArray[np.int64]
    patch: PatchNumbers
    st: Float32Array
    xyz_mm: Float32Array
    normal: Float32Array
    albedo: Float32Array
    lit: BoolArray


def _look_at_centres(caster: Caster, head: Head, progress: Progress) -> Met:
    height, width = head.camera.height, head.camera.width
    rows = max(1, _RAYS_AT_ONCE // width)
    parts: list[Met] = []
    for top in range(0, height, rows):
        progress.step("finding the surface", top, height)
        pixels = np.arange(top * width, min(top + rows, height) * width)
        along = _pixel_directions(pixels, np.zeros((1, 2)), head)
        parts.append(caster.look(along, np.full(len(along), TIGHT_MM)))
    progress.step("finding the surface", height, height)
    return Met(
        *(
            np.concatenate([getattr(part, name) for part in parts])
            for name in ("patch", "st", "depth", "tangents")
        )
    )


def _pixel_directions(pixels: npt.NDArray[np.int64], offsets: Array, head: Head) -> Array:
    """Directions (P · n, 3) of the rays of pixels, pixel after pixel."""
    v, u = np.divmod(pixels, head.camera.width)
    return directions((u[:, None] + offsets[:, 0]).ravel(), (v[:, None] + offsets[:, 1]).ravel(), head)


def _flat_pixels(centre: Met, scene: Scene, head: Head) -> BoolArray:
    """Which pixels (H · W) lie with their neighbours on one sheet that hardly bends there."""
    shape = head.camera.height, head.camera.width
    number = centre.patch.reshape(shape)
    along = _pixel_directions(np.arange(number.size), np.zeros((1, 2)), head)
    normal = centre.normal_towards(scene, along).reshape(*shape, 3)
    flat = np.zeros(shape, dtype=np.bool_)
    flat[1:-1, 1:-1] = number[1:-1, 1:-1] != NOTHING
    inner = normal[1:-1, 1:-1]
    for down in (0, 1, 2):
        for right in (0, 1, 2):
            there = slice(down, shape[0] - 2 + down), slice(right, shape[1] - 2 + right)
            flat[1:-1, 1:-1] &= number[there] == number[1:-1, 1:-1]
            flat[1:-1, 1:-1] &= np.einsum("ijk,ijk->ij", normal[there], inner) > _FLAT_COSINE
    return flat.ravel()


def _cast_block(
    caster: Caster,
    head: Head,
    offsets: Array,
    pixels: npt.NDArray[np.int64],
    centre: Met,
    flat: BoolArray,
) -> _Block:
    scene, n = caster.scene, len(offsets)
    along = _pixel_directions(pixels, offsets, head)
    owner = np.repeat(pixels, n)
    met = Met(
        np.full(len(along), NOTHING, np.int16),
        np.zeros((len(along), 2)),
        np.zeros(len(along)),
        np.empty((len(along), 6)),
    )
    easy = flat[owner] & (caster.first_triangles(along) == centre.patch[owner])
    _onto_tangent_plane(
        easy,
        owner,
        along @ scene.rotation,
        centre.depth,
        centre.st,
        centre.tangents,
        _pixel_directions(pixels, np.zeros((1, 2)), head) @ scene.rotation,
        n,
        met.depth,
        met.st,
        met.tangents,
    )
    met.patch[easy] = centre.patch[owner[easy]]
    _drop_cut_away(scene, met)
    hard = np.flatnonzero(met.patch == NOTHING)
    followed = caster.look(along[hard], np.full(len(hard), LOOSE_MM))
    for name in ("patch", "st", "depth", "tangents"):
        getattr(met, name)[hard] = getattr(followed, name)
    return _kept(caster, head, met, along, n)


def _drop_cut_away(scene: Scene, met: Met) -> None:
    for k, patch in enumerate(scene.patches):
        rays = np.flatnonzero(met.patch == k)
        if rays.size:
            cut = ~patch.metal(met.st[rays, 0], met.st[rays, 1])
            met.patch[rays[cut]] = NOTHING


def _kept(caster: Caster, head: Head, met: Met, along: Array, n: int) -> _Block:
    hit = met.patch != NOTHING
    kept = Met(met.patch[hit], met.st[hit], met.depth[hit], met.tangents[hit])
    xyz = kept.depth[:, None] * along[hit]
    normal = kept.normal_towards(caster.scene, along[hit])
    albedo = np.zeros(len(xyz), dtype=np.float32)
    for k, patch in enumerate(caster.scene.patches):
        of_patch = np.flatnonzero(kept.patch == k)
        if of_patch.size:
            albedo[of_patch] = patch.albedo(kept.st[of_patch, 0], kept.st[of_patch, 1])
    return _Block(
        hit.reshape(-1, n).sum(axis=1),
        kept.patch,
        kept.st.astype(np.float32),
        xyz.astype(np.float32),
        normal.astype(np.float32),
        albedo,
        _in_light(caster, head, xyz, normal),
    )


def _in_light(caster: Caster, head: Head, xyz: Array, normal: Array) -> BoolArray:
    light = projector_centre(head)
    lit: BoolArray = np.sum((light - xyz) * normal, axis=1) > 0
    lit[lit] = ~caster.shadowed(xyz[lit], normal[lit], light)
    return lit


def _truth(caster: Caster, head: Head, centre: Met) -> PixelTruth:
    scene, shape = caster.scene, (head.camera.height, head.camera.width)
    met = centre.patch != NOTHING
    along = _pixel_directions(np.flatnonzero(met), np.zeros((1, 2)), head)
    xyz = np.full((len(met), 3), np.nan)
    st = np.full((len(met), 2), np.nan)
    xyz[met], st[met] = centre.depth[met, None] * along, centre.st[met]
    there = Met(centre.patch[met], centre.st[met], centre.depth[met], centre.tangents[met])
    lit = np.zeros(len(met), dtype=np.bool_)
    column, row = pattern_place(xyz[met], head)
    inside = (column >= 0) & (column <= 1) & ~((row < 0) | (row > 1))
    lit[met] = inside & _in_light(caster, head, xyz[met], there.normal_towards(scene, along))
    return PixelTruth(
        xyz.reshape(*shape, 3),
        centre.patch.reshape(shape),
        st.reshape(*shape, 2),
        lit.reshape(shape),
        tuple(patch.name for patch in scene.patches),
        scene.rotation,
        scene.translation_mm,
        scene.truths,
    )


def _gathered(scene: Scene, head: Head, rays: int, blocks: list[_Block], truth: PixelTruth) -> Hits:
    def joined(name: str) -> npt.NDArray[np.generic]:
        return np.concatenate([getattr(block, name) for block in blocks])

    first = np.concatenate([[0], np.cumsum(joined("count"))]).astype(np.int64)
    fields = ("patch", "st", "xyz_mm", "normal", "albedo", "lit")
    return Hits(scene, head, rays, first, **{name: joined(name) for name in fields}, truth=truth)  # type: ignore[arg-type]


@kernel()
def _onto_tangent_plane(
    easy: BoolArray,
    owner: npt.NDArray[np.int64],
    along: Array,
    centre_depth: Array,
    centre_st: Array,
    centre_tangents: Array,
    centre_along: Array,
    rays: int,
    depth: Array,
    st: Array,
    tangents: Array,
) -> None:
    """Meet the tangent plane at the pixel's centre: τ = N·(X − o) / N·d, then the foot's s and t."""
    for i in range(len(easy)):
        if not easy[i]:
            continue
        p, c = owner[i], i // rays
        ax, ay, az = centre_tangents[p, 0], centre_tangents[p, 1], centre_tangents[p, 2]
        bx, by, bz = centre_tangents[p, 3], centre_tangents[p, 4], centre_tangents[p, 5]
        nx, ny, nz = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
        square = nx * nx + ny * ny + nz * nz
        qx = centre_depth[p] * centre_along[c, 0]
        qy = centre_depth[p] * centre_along[c, 1]
        qz = centre_depth[p] * centre_along[c, 2]
        dx, dy, dz = along[i, 0], along[i, 1], along[i, 2]
        tau = (nx * qx + ny * qy + nz * qz) / (nx * dx + ny * dy + nz * dz)
        ex, ey, ez = tau * dx - qx, tau * dy - qy, tau * dz - qz
        st[i, 0] = (
            centre_st[p, 0]
            + ((ey * bz - ez * by) * nx + (ez * bx - ex * bz) * ny + (ex * by - ey * bx) * nz) / square
        )
        st[i, 1] = (
            centre_st[p, 1]
            + ((ay * ez - az * ey) * nx + (az * ex - ax * ez) * ny + (ax * ey - ay * ex) * nz) / square
        )
        depth[i] = tau
        for k in range(6):
            tangents[i, k] = centre_tangents[p, k]
