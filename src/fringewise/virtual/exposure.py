"""Exposures: frames made from the hits of one cast, in the light and with the faults of a real head."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from fringewise.capture.capture import FrameArray, FringeFrames
from fringewise.capture.head import Head, NoiseModel
from fringewise.capture.plan import FringeSet
from fringewise.core.checks import Array, finite, positive
from fringewise.core.kernels import kernel
from fringewise.virtual.hits import Hits
from fringewise.virtual.light import Gathered, Optics, gather
from fringewise.virtual.shake import Pose, Shaker
from fringewise.virtual.soot import SootCloud

Float32Array = npt.NDArray[np.float32]
PhotoKind = Literal["none", "grey", "colour"]

_ROUNDING_VARIANCE: Final = 1 / 12
_WARM_LIGHT: Final = (1.0, 0.97, 0.90)
"""What a colour photo sees of grey metal in red, green and blue."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """How a picture is taken.

    Attributes
    ----------
    level_share : float
        Mean level of the median lit pixel as a share of saturation (0.5 is 128 of 255).
    light_dn : float, optional
        Fixes the light instead: grey levels of a white surface square to the light at 17 mm.
    contrast : float
        m of the pattern in focus, 0 … 1.
    falloff : float
        Exponent with which the projector's light falls off with distance.
    gloss, gloss_width_rad : float
        Height of the mirror-like lobe as a multiple of the diffuse light, and its width.
    ambient : float
        Even light that is not the projector's, as a share of the median lit level.
    background : float
        Level of pixels that look past the part, as a share of the median lit level.
    gamma : float
        Response: a level L answers as L^gamma, scaled so that the median lit level stays.
    aperture_mm, focus_mm : float
        Defocus: fringes keep exp(−2 (π f b)²) of their contrast, b = aperture · |1/z − 1/focus| · fx / width.
    soot, soot_size_mm : float
        Contrast of a cloudy deposit (0 … 1: 1 blackens its middle) and the size of its clouds.
    photo : {"none", "grey", "colour"}
    photo_share : float
        Level of the median lit pixel in the photo as a share of saturation.
    noise : NoiseModel, optional
        What truly scatters, where it is not what the head states.
    shake : tuple of Pose
        The part's motion at each frame in the order of the plan (and of the photo, if one more is given);
        empty for none.
    shake_newton_steps : int
        See `fringewise.virtual.shake`.
    """

    level_share: float = 0.4
    light_dn: float | None = None
    contrast: float = 0.85
    falloff: float = 2.0
    gloss: float = 0.0
    gloss_width_rad: float = 0.15
    ambient: float = 0.02
    background: float = 0.0
    gamma: float = 1.0
    aperture_mm: float = 0.0
    focus_mm: float = 17.0
    soot: float = 0.0
    soot_size_mm: float = 1.5
    photo: PhotoKind = "grey"
    photo_share: float = 0.5
    noise: NoiseModel | None = None
    shake: tuple[Pose, ...] = ()
    shake_newton_steps: int = 1

    def __post_init__(self) -> None:
        for name in ("level_share", "gloss_width_rad", "gamma", "focus_mm", "soot_size_mm", "photo_share"):
            positive(name, getattr(self, name))
        for name in ("gloss", "ambient", "background", "aperture_mm"):
            if not (math.isfinite(getattr(self, name)) and getattr(self, name) >= 0):
                raise ValueError(f"{name} must be 0 or more (found {getattr(self, name)})")
        for name in ("contrast", "soot"):
            if not 0 <= getattr(self, name) <= 1:
                raise ValueError(f"{name} must be from 0 to 1 (found {getattr(self, name)})")
        finite("falloff", self.falloff)
        if self.light_dn is not None:
            positive("light_dn", self.light_dn)


@dataclass(frozen=True, slots=True)
class Exposed:
    """What an exposure gave.

    Attributes
    ----------
    sets : tuple of FringeFrames
    photo : (H, W) or (H, W, 3) array, optional
    light_dn : float
        The light that was used; as `Exposure.light_dn` it gives the same light again.
    """

    sets: tuple[FringeFrames, ...]
    photo: FrameArray | None
    light_dn: float


def expose(
    hits: Hits, head: Head, plan: tuple[FringeSet, ...], exposure: Exposure, rng: np.random.Generator
) -> Exposed:
    """Take the frames of a plan, and a photo, of what was cast.

    Parameters
    ----------
    hits : Hits
    head : Head
        As cast; its noise model and its projector's lens may differ.
    plan : tuple of FringeSet
    exposure : Exposure
    rng : numpy Generator
        Draws the soot's clouds, then the noise, frame by frame in the plan's order, the photo's last.

    Returns
    -------
    Exposed

    Notes
    -----
    A frame's level I (light and `dark_dn`) gets Gaussian noise of variance read² − 1/12 + gain · (I − dark),
    then is rounded and clipped to 0 … saturation, so that its variance is the one the head states.
    """
    _check(hits, head, plan, exposure)
    noise = exposure.noise or head.noise
    if noise is None:
        raise ValueError("an exposure of a head without a noise model needs its own")
    stand = _Stand(hits, head, exposure, rng)
    rest = stand.gathered(Pose(), plan)
    meter = _Meter.set_on(rest, stand.lit_pixels(rest), exposure, noise)
    shape = head.camera.height, head.camera.width
    draw = _Drawing(noise, exposure.gamma, rng, shape)
    sets = []
    poses = iter(exposure.shake)
    for k, one in enumerate(plan):
        frames = _blank(noise.bits, len(one.shifts_rad), *shape)
        for n, shift in enumerate(one.shifts_rad):
            pose = next(poses, Pose())
            light, at = (rest, k) if pose.still else (stand.gathered(pose, (one,)), 0)
            wave = light.cosine[at] * math.cos(shift) - light.sine[at] * math.sin(shift)
            draw.frame(meter.level(light, exposure.contrast * wave), meter.median_dn, frames[n])
        sets.append(FringeFrames(one, frames))
    photo: FrameArray | None = None
    if exposure.photo != "none":
        pose = next(poses, Pose())
        light = rest if pose.still else stand.gathered(pose, ())
        photo = draw.photo(meter, light, exposure)
    return Exposed(tuple(sets), photo, meter.light_dn)


def _check(hits: Hits, head: Head, plan: tuple[FringeSet, ...], exposure: Exposure) -> None:
    if head.camera != hits.head.camera:
        raise ValueError("the exposure's head must have the camera that was cast with")
    if head.projector.height is None and any(one.across == "rows" for one in plan):
        raise ValueError("fringe sets across rows need a projector with a height")
    frames = sum(len(one.shifts_rad) for one in plan)
    if exposure.shake and len(exposure.shake) not in (frames, frames + 1):
        raise ValueError(
            f"shake needs a pose for each of the {frames} frames, and perhaps one for the photo"
            f" (found {len(exposure.shake)})"
        )


class _Stand:
    """The hits in their light, for any pose of the part."""

    def __init__(self, hits: Hits, head: Head, exposure: Exposure, rng: np.random.Generator) -> None:
        self.hits, self.head = hits, head
        weights = np.array([patch.gloss for patch in hits.scene.patches], dtype=np.float32)
        self.gloss_weight = weights[hits.patch]
        self.optics = Optics(
            exposure.falloff,
            exposure.gloss,
            exposure.gloss_width_rad,
            exposure.aperture_mm,
            exposure.focus_mm,
        )
        self.soot = exposure.soot
        self.cloud = SootCloud.drawn(exposure.soot_size_mm, rng) if exposure.soot else None
        self.shaker = (
            Shaker(hits, exposure.shake_newton_steps)
            if any(not pose.still for pose in exposure.shake)
            else None
        )

    def gathered(self, pose: Pose, sets: tuple[FringeSet, ...]) -> Gathered:
        hits = self.hits
        xyz, normal, albedo = hits.xyz_mm, hits.normal, hits.albedo
        if self.shaker is not None and not pose.still:
            xyz, normal, albedo = self.shaker.moved(pose)
        if self.cloud is not None:
            part = hits.scene if self.shaker is None else self.shaker.scene_at(pose)
            albedo = self.cloud.darkened(albedo, xyz, part, self.soot)
        return gather(
            first=hits.first,
            rays_per_pixel=hits.rays_per_pixel,
            xyz_mm=xyz,
            normal=normal,
            albedo=albedo,
            gloss_weight=self.gloss_weight,
            lit=hits.lit,
            head=self.head,
            sets=sets,
            optics=self.optics,
        )

    def lit_pixels(self, light: Gathered) -> npt.NDArray[np.bool_]:
        """Pixels that the metering looks at: whole on metal and lit."""
        lit: npt.NDArray[np.bool_] = self.hits.truth.lit.ravel() & (light.empty == 0) & (light.flat > 0)
        return lit


@dataclass(frozen=True, slots=True)
class _Meter:
    """Turns gathered light into grey levels above dark."""

    light_dn: float
    even: float
    background: float
    median_dn: float

    @classmethod
    def set_on(
        cls, light: Gathered, lit: npt.NDArray[np.bool_], exposure: Exposure, noise: NoiseModel
    ) -> _Meter:
        flat = float(np.median(light.flat[lit])) if lit.any() else 0.0
        albedo = float(np.median(light.even[lit])) if lit.any() else 0.0
        even = exposure.ambient * flat / albedo if albedo else exposure.ambient
        whole = float(np.median(light.flat[lit] + even * light.even[lit])) if lit.any() else 1.0
        wanted = max(exposure.level_share * noise.saturation_dn - noise.dark_dn, 1.0)
        light_dn = exposure.light_dn if exposure.light_dn is not None else wanted / whole
        return cls(light_dn, even, exposure.background * flat, light_dn * whole)

    def level(self, light: Gathered, wave: Array | float = 0.0) -> Array:
        return self.light_dn * (light.flat + wave + self.even * light.even + self.background * light.empty)


class _Drawing:
    """Draws frames: response, noise, rounding, clipping."""

    def __init__(
        self, noise: NoiseModel, gamma: float, rng: np.random.Generator, shape: tuple[int, int]
    ) -> None:
        self._noise, self._gamma, self._rng, self._shape = noise, gamma, rng, shape
        self._scatter = np.empty(shape[0] * shape[1], dtype=np.float32)

    def frame(self, level_dn: Array, median_dn: float, into: FrameArray) -> None:
        noise = self._noise
        self._rng.standard_normal(dtype=np.float32, out=self._scatter)
        _digitise(
            level_dn,
            self._scatter,
            np.array(
                [
                    median_dn,
                    self._gamma,
                    max(noise.read_dn**2 - _ROUNDING_VARIANCE, 0.0),
                    noise.gain_dn_per_electron,
                    noise.dark_dn,
                    noise.saturation_dn,
                ]
            ),
            into.reshape(-1),
        )

    def photo(self, meter: _Meter, light: Gathered, exposure: Exposure) -> FrameArray:
        level = meter.level(light) * (exposure.photo_share / exposure.level_share)
        median = meter.median_dn * (exposure.photo_share / exposure.level_share)
        one = _blank(self._noise.bits, *self._shape)
        if exposure.photo == "grey":
            self.frame(level, median, one)
            return one
        colours = _blank(self._noise.bits, *self._shape, len(_WARM_LIGHT))
        for channel, tint in enumerate(_WARM_LIGHT):
            self.frame(level * tint, median * tint, one)
            colours[..., channel] = one
        return colours


def _blank(bits: int, *shape: int) -> FrameArray:
    return np.empty(shape, dtype=np.uint8) if bits <= 8 else np.empty(shape, dtype=np.uint16)


@kernel()
def _digitise(level: Array, scatter: Float32Array, numbers: Array, into: FrameArray) -> None:
    median, gamma, read, gain, dark, most = (
        numbers[0],
        numbers[1],
        numbers[2],
        numbers[3],
        numbers[4],
        numbers[5],
    )
    for p in range(len(level)):
        light = max(level[p], 0.0)
        if gamma != 1.0 and light > 0.0:
            light = median * (light / median) ** gamma
        value = dark + light + np.sqrt(read + gain * light) * scatter[p]
        into[p] = int(min(max(np.floor(value + 0.5), 0.0), most))
