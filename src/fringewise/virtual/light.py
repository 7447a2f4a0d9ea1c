"""How much light each pixel gathers: even light, and the parts of it that go with each set's cosine and sine.

For the projector's light on one hit (n its normal, l and v the directions to the projector and the camera,
d the distance to the projector, a the albedo)::

    w = a · (n·l) · (17 mm / d)^falloff · (1 + gloss · exp(−(1 − n·h) / width²)),   h = (l + v) / |l + v|

A pixel's frame is then A + Σ w m κ cos(2π f c + shift): the shift can be taken out of the sum, so that one
pass over the hits serves all frames. κ is what is left of the contrast out of focus.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.capture.head import Head
from fringewise.capture.plan import FringeSet
from fringewise.core.checks import Array
from fringewise.core.kernels import kernel
from fringewise.virtual.optics import lens_numbers, projector_centre
from fringewise.virtual.patch import BoolArray

Float32Array = npt.NDArray[np.float32]

REFERENCE_MM: Final = 17.0


@dataclass(frozen=True, slots=True)
class Optics:
    """What the light's way depends on, as numbers for the kernel.

    Attributes
    ----------
    falloff : float
        Exponent with which light falls off with distance; 2 for a point source.
    gloss, gloss_width_rad : float
        Height of the mirror-like lobe as a multiple of the diffuse light, and its width.
    aperture_mm, focus_mm : float
        The projector's opening (deviation of a Gaussian) and the distance at which fringes are sharp.
    """

    falloff: float
    gloss: float
    gloss_width_rad: float
    aperture_mm: float
    focus_mm: float


@dataclass(frozen=True, slots=True)
class Gathered:
    """Light per pixel (P,), means over the pixel's rays; scale free.

    Attributes
    ----------
    flat : (P,) array
        The projector's light without its fringes.
    even : (P,) array
        Albedo in sight: what even light from all round gives.
    empty : (P,) array
        Share of the rays that met nothing.
    cosine, sine : (K, P) arrays
        The parts of `flat` that go with cos and sin of each set's phase.
    """

    flat: Array
    even: Array
    empty: Array
    cosine: Array
    sine: Array


def gather(
    *,
    first: npt.NDArray[np.int64],
    rays_per_pixel: int,
    xyz_mm: Float32Array,
    normal: Float32Array,
    albedo: Float32Array,
    gloss_weight: Float32Array,
    lit: BoolArray,
    head: Head,
    sets: tuple[FringeSet, ...],
    optics: Optics,
) -> Gathered:
    """Gather the light of every pixel from its hits (arrays as in `Hits`).

    Light is only where the pattern is: hits outside columns 0 … 1 (and rows, if the head has them) get none.
    """
    projector = head.projector
    pixels = len(first) - 1
    sums = np.zeros((3 + 2 * len(sets), pixels))
    _gather(
        first,
        rays_per_pixel,
        xyz_mm,
        normal,
        albedo,
        gloss_weight,
        lit,
        projector_centre(head),
        np.ascontiguousarray(projector.rotation),
        projector.translation_mm,
        lens_numbers(projector.lens),
        np.array([projector.width, projector.height or 0.0]),
        np.array([one.fringes for one in sets]),
        np.array([one.across == "rows" for one in sets], dtype=np.bool_),
        np.array(
            [
                optics.falloff,
                optics.gloss,
                1 / optics.gloss_width_rad**2,
                optics.aperture_mm,
                1 / optics.focus_mm,
            ]
        ),
        sums,
    )
    k = len(sets)
    return Gathered(sums[0], sums[1], sums[2], sums[3 : 3 + k], sums[3 + k :])


@kernel()
def _gather(
    first: npt.NDArray[np.int64],
    rays: int,
    xyz: Float32Array,
    normal: Float32Array,
    albedo: Float32Array,
    gloss_weight: Float32Array,
    lit: BoolArray,
    light: Array,
    turn: Array,
    shift: Array,
    lens: Array,
    size: Array,
    fringes: Array,
    across_rows: BoolArray,
    optics: Array,
    sums: Array,
) -> None:
    sets = len(fringes)
    falloff, gloss, sharpness, aperture, focus = optics[0], optics[1], optics[2], optics[3], optics[4]
    for p in range(len(first) - 1):
        sums[2, p] = (rays - (first[p + 1] - first[p])) / rays
        for i in range(first[p], first[p + 1]):
            sums[1, p] += albedo[i] / rays
            if not lit[i]:
                continue
            x, y, z = np.float64(xyz[i, 0]), np.float64(xyz[i, 1]), np.float64(xyz[i, 2])
            px = turn[0, 0] * x + turn[0, 1] * y + turn[0, 2] * z + shift[0]
            py = turn[1, 0] * x + turn[1, 1] * y + turn[1, 2] * z + shift[1]
            pz = turn[2, 0] * x + turn[2, 1] * y + turn[2, 2] * z + shift[2]
            if not pz > 0.0:
                continue
            a, b = px / pz, py / pz
            q = a * a + b * b
            stretch = (1.0 + q * (lens[4] + q * (lens[5] + q * lens[8]))) / (
                1.0 + q * (lens[9] + q * (lens[10] + q * lens[11]))
            )
            u = lens[0] * (a * stretch + 2.0 * lens[6] * a * b + lens[7] * (q + 2.0 * a * a)) + lens[2]
            v = lens[1] * (b * stretch + lens[6] * (q + 2.0 * b * b) + 2.0 * lens[7] * a * b) + lens[3]
            column = u / size[0]
            row = v / size[1] if size[1] > 0.0 else 0.5
            if column < 0.0 or column > 1.0 or row < 0.0 or row > 1.0:
                continue
            lx, ly, lz = light[0] - x, light[1] - y, light[2] - z
            far = np.sqrt(lx * lx + ly * ly + lz * lz)
            lx, ly, lz = lx / far, ly / far, lz / far
            nx, ny, nz = normal[i, 0], normal[i, 1], normal[i, 2]
            slant = nx * lx + ny * ly + nz * lz
            if slant <= 0.0:
                continue
            w = albedo[i] * slant / rays
            w *= (REFERENCE_MM / far) ** 2 if falloff == 2.0 else (REFERENCE_MM / far) ** falloff
            if gloss > 0.0:
                near = np.sqrt(x * x + y * y + z * z)
                hx, hy, hz = lx - x / near, ly - y / near, lz - z / near
                half = (nx * hx + ny * hy + nz * hz) / np.sqrt(hx * hx + hy * hy + hz * hz)
                w *= 1.0 + gloss * gloss_weight[i] * np.exp((half - 1.0) * sharpness)
            sums[0, p] += w
            blur = aperture * (1.0 / pz - focus)
            for k in range(sets):
                turns = 2.0 * np.pi * fringes[k]
                phase = turns * (row if across_rows[k] else column)
                spread = turns * blur * (lens[1] / size[1] if across_rows[k] else lens[0] / size[0])
                kept = w if spread == 0.0 else w * np.exp(-0.5 * spread * spread)
                sums[3 + k, p] += kept * np.cos(phase)
                sums[3 + sets + k, p] += kept * np.sin(phase)
