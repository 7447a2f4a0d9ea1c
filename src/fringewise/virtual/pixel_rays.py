"""The rays of a pixel: how they are spread over its area, and what those of whole pixels see.

Rays are spread as a lattice in which no two share a column or a row, so that outlines of any direction are
drawn in steps of 1/n pixel, and as many lie left as right: a smooth surface is not biased.

Where a pixel and its eight neighbours lie on one sheet with normals within 0.01 rad, its other rays end on
the centre's tangent plane: off the sheet by less than 0.1 µm in the pixel's corners. Everywhere else each ray
is followed to the sheet's formula, and what stands in its way is asked; so is the light's way of every ray
wherever one of the nine pixels' centres is in the light and another in the dark. Cut-away metal and albedo
are asked at every ray. (What is narrower than a pixel is thus missed where it stands alone before a face.)
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
from fringewise.virtual.caster import NOTHING, Caster, Met, PatchNumbers
from fringewise.virtual.meeting import LOOSE_MM, TIGHT_MM
from fringewise.virtual.optics import directions, projector_centre
from fringewise.virtual.patch import BoolArray, Scene

_FLAT_COSINE: Final = 1 - 0.01**2 / 2


@dataclass(frozen=True, slots=True)
class Centres:
    """What the rays through the centres of all pixels meet, row by row.

    Attributes
    ----------
    met : Met
    directions : (P, 3) array
        Camera's frame, z = 1.
    normals : (P, 3) array
        Camera's frame, on the side that is looked at; 0 where there is nothing.
    in_light : (P,) bool
        The projector's centre is in sight.
    flat : (P,) bool
        The pixel lies with its neighbours on one sheet that hardly bends there.
    alike : (P,) bool
        It is flat, and in the light or in the dark together with its neighbours.
    """

    met: Met
    directions: Array
    normals: Array
    in_light: BoolArray
    flat: BoolArray
    alike: BoolArray


@dataclass(frozen=True, slots=True)
class PixelHits:
    """The hits of some pixels, pixel after pixel: fields as in `Hits`, and how many each pixel has."""

    count: npt.NDArray[np.int64]
    patch: PatchNumbers
    st: Array
    xyz_mm: Array
    normal: Array
    albedo: Array
    lit: BoolArray


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


def look_at_centres(caster: Caster, head: Head, pixels_at_once: int) -> Centres:
    """Follow the ray through each pixel's centre to the sheet's formula, to rounding."""
    height, width = head.camera.height, head.camera.width
    along = _pixel_directions(np.arange(height * width), np.zeros((1, 2)), head)
    tight = np.full(pixels_at_once, TIGHT_MM)
    parts = [
        caster.look(part, tight[: len(part)])
        for part in (along[n : n + pixels_at_once] for n in range(0, len(along), pixels_at_once))
    ]
    names = ("patch", "st", "depth", "tangents")
    met = Met(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))
    normals = met.seen_normals(caster.scene, along)
    in_light = np.zeros(len(along), dtype=np.bool_)
    seen = np.flatnonzero(met.patch != NOTHING)
    in_light[seen] = caster.in_light(
        met.depth[seen, None] * along[seen], normals[seen], projector_centre(head)
    )
    flat = _flat_pixels(met.patch.reshape(height, width), normals.reshape(height, width, 3))
    alike = flat & _like_neighbours(in_light.reshape(height, width))
    return Centres(met, along, normals, in_light, flat.ravel(), alike.ravel())


def look_at_pixels(
    caster: Caster, head: Head, offsets: Array, pixels: npt.NDArray[np.int64], centres: Centres
) -> PixelHits:
    """Follow all rays of some pixels (P,), `offsets` (n, 2) from their centres."""
    n = len(offsets)
    along = _pixel_directions(pixels, offsets, head)
    patch = np.repeat(centres.met.patch[pixels], n)
    asked = np.flatnonzero(np.repeat(~centres.alike[pixels], n))
    patch[asked] = caster.first_patch(along[asked])
    st, xyz, normals = np.empty((len(along), 2)), np.empty((len(along), 3)), np.empty((len(along), 3))
    _onto_tangent_planes(
        pixels,
        n,
        along,
        np.ascontiguousarray(caster.scene.rotation),
        centres.flat,
        centres.met.patch,
        centres.met.depth,
        centres.met.st,
        centres.met.tangents,
        centres.directions,
        centres.normals,
        patch,
        st,
        xyz,
        normals,
    )
    _drop_cut_away(caster.scene, patch, st)
    hard = np.flatnonzero(patch == NOTHING)
    seen = along[hard]
    followed = caster.look(seen, np.full(len(hard), LOOSE_MM))
    patch[hard], st[hard] = followed.patch, followed.st
    xyz[hard] = followed.depth[:, None] * seen
    normals[hard] = followed.seen_normals(caster.scene, seen)
    hit = patch != NOTHING
    lit = np.repeat(centres.in_light[pixels], n)
    asked = np.union1d(asked[hit[asked]], hard[hit[hard]])
    lit[asked] = caster.in_light(xyz[asked], normals[asked], projector_centre(head))
    if not hit.all():
        patch, st, xyz, normals, lit = patch[hit], st[hit], xyz[hit], normals[hit], lit[hit]
    count = hit.reshape(-1, n).sum(axis=1)
    return PixelHits(count, patch, st, xyz, normals, _albedo(caster.scene, patch, st), lit)


def _pixel_directions(pixels: npt.NDArray[np.int64], offsets: Array, head: Head) -> Array:
    """Directions (P · n, 3) of the rays of pixels, pixel after pixel."""
    v, u = np.divmod(pixels, head.camera.width)
    return directions((u[:, None] + offsets[:, 0]).ravel(), (v[:, None] + offsets[:, 1]).ravel(), head)


def _flat_pixels(patch: PatchNumbers, normals: Array) -> BoolArray:
    height, width = patch.shape
    flat = np.zeros((height, width), dtype=np.bool_)
    flat[1:-1, 1:-1] = patch[1:-1, 1:-1] != NOTHING
    for down in (0, 1, 2):
        for right in (0, 1, 2):
            there = slice(down, height - 2 + down), slice(right, width - 2 + right)
            flat[1:-1, 1:-1] &= patch[there] == patch[1:-1, 1:-1]
            cosine = np.einsum("ijk,ijk->ij", normals[there], normals[1:-1, 1:-1])
            flat[1:-1, 1:-1] &= cosine > _FLAT_COSINE
    return flat


def _like_neighbours(state: BoolArray) -> BoolArray:
    height, width = state.shape
    alike = np.zeros((height, width), dtype=np.bool_)
    alike[1:-1, 1:-1] = True
    for down in (0, 1, 2):
        for right in (0, 1, 2):
            there = state[down : height - 2 + down, right : width - 2 + right]
            alike[1:-1, 1:-1] &= there == state[1:-1, 1:-1]
    return alike


def _drop_cut_away(scene: Scene, patch: PatchNumbers, st: Array) -> None:
    for k, sheet in enumerate(scene.patches):
        rays = np.flatnonzero(patch == k)
        if rays.size:
            cut = ~sheet.metal(*_columns(st, rays))
            patch[rays[cut]] = NOTHING


def _albedo(scene: Scene, patch: PatchNumbers, st: Array) -> Array:
    albedo = np.zeros(len(patch))
    for k, sheet in enumerate(scene.patches):
        rays = np.flatnonzero(patch == k)
        if rays.size:
            albedo[rays] = sheet.albedo(*_columns(st, rays))
    return albedo


def _columns(st: Array, rays: npt.NDArray[np.intp]) -> tuple[Array, Array]:
    return st[rays, 0], st[rays, 1]


@kernel()
def _onto_tangent_planes(
    pixels: npt.NDArray[np.int64],
    rays: int,
    along: Array,
    turn: Array,
    flat: BoolArray,
    centre_patch: PatchNumbers,
    centre_depth: Array,
    centre_st: Array,
    centre_tangents: Array,
    centre_along: Array,
    centre_normal: Array,
    patch: PatchNumbers,
    st: Array,
    xyz: Array,
    normals: Array,
) -> None:
    """Meet the tangent plane at a flat pixel's centre: τ = n·x / n·d, then the foot's s and t.

    Rays that meet another sheet's triangles first, or whose pixel is not flat, get patch -1.
    """
    for k in range(len(pixels)):
        p = pixels[k]
        if not flat[p]:
            patch[k * rays : (k + 1) * rays] = -1
            continue
        ax, ay, az = centre_tangents[p, 0], centre_tangents[p, 1], centre_tangents[p, 2]
        bx, by, bz = centre_tangents[p, 3], centre_tangents[p, 4], centre_tangents[p, 5]
        mx, my, mz = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
        square = mx * mx + my * my + mz * mz
        nx, ny, nz = centre_normal[p, 0], centre_normal[p, 1], centre_normal[p, 2]
        z0 = centre_depth[p]
        x0, y0 = z0 * centre_along[p, 0], z0 * centre_along[p, 1]
        offset = nx * x0 + ny * y0 + nz * z0
        for i in range(k * rays, (k + 1) * rays):
            if patch[i] != centre_patch[p]:
                patch[i] = -1
                continue
            tau = offset / (nx * along[i, 0] + ny * along[i, 1] + nz)
            x, y, z = tau * along[i, 0], tau * along[i, 1], tau
            cx, cy, cz = x - x0, y - y0, z - z0
            ex = turn[0, 0] * cx + turn[1, 0] * cy + turn[2, 0] * cz  # in the part's frame
            ey = turn[0, 1] * cx + turn[1, 1] * cy + turn[2, 1] * cz
            ez = turn[0, 2] * cx + turn[1, 2] * cy + turn[2, 2] * cz
            ds = (ey * bz - ez * by) * mx + (ez * bx - ex * bz) * my + (ex * by - ey * bx) * mz
            dt = (ay * ez - az * ey) * mx + (az * ex - ax * ez) * my + (ax * ey - ay * ex) * mz
            st[i, 0], st[i, 1] = centre_st[p, 0] + ds / square, centre_st[p, 1] + dt / square
            xyz[i, 0], xyz[i, 1], xyz[i, 2] = x, y, z
            normals[i, 0], normals[i, 1], normals[i, 2] = nx, ny, nz
