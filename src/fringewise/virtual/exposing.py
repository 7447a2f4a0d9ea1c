"""Exposures of stored hits: frames and photo, whatever the light, the faults and the motion."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from fringewise.capture.capture import FrameArray, FringeFrames
from fringewise.capture.head import Head
from fringewise.capture.plan import FringeSet
from fringewise.virtual.drawing import Drawing, Meter
from fringewise.virtual.exposure import Exposure
from fringewise.virtual.hits import Hits
from fringewise.virtual.light import Gathered, Optics, gather
from fringewise.virtual.patch import BoolArray
from fringewise.virtual.shake import Pose, Shaker
from fringewise.virtual.soot import SootCloud


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
    meter = Meter.set_on(rest, stand.lit_pixels(rest), exposure, noise)
    draw = Drawing(noise, exposure.gamma, rng, (head.camera.height, head.camera.width))
    poses = iter(exposure.shake)
    sets = tuple(_frames(stand, plan, rest, poses, meter, draw, exposure.contrast))
    photo = None
    if exposure.photo != "none":
        pose = next(poses, Pose())
        photo = draw.photo(meter, rest if pose.still else stand.gathered(pose, ()), exposure.photo)
    return Exposed(sets, photo, meter.light_dn)


def _frames(
    stand: _Stand,
    plan: tuple[FringeSet, ...],
    rest: Gathered,
    poses: Iterator[Pose],
    meter: Meter,
    draw: Drawing,
    contrast: float,
) -> Iterator[FringeFrames]:
    """Draw the plan's sets, each frame at the next pose; `rest` is the light where nothing moves."""
    for k, one in enumerate(plan):
        frames = draw.blank(len(one.shifts_rad))
        for frame, shift in zip(frames, one.shifts_rad, strict=True):
            pose = next(poses, Pose())
            light, at = (rest, k) if pose.still else (stand.gathered(pose, (one,)), 0)
            wave = light.cosine[at] * math.cos(shift) - light.sine[at] * math.sin(shift)
            draw.frame(
                meter.light_dn * meter.level(light, contrast * wave), meter.light_dn * meter.median, frame
            )
        yield FringeFrames(one, frames)


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
        moving = any(not pose.still for pose in exposure.shake)
        self.soot = exposure.soot
        self.cloud = SootCloud.drawn(exposure.soot_size_mm, rng) if exposure.soot else None
        self.shaker = Shaker(hits, exposure.shake_newton_steps) if moving else None

    def gathered(self, pose: Pose, sets: tuple[FringeSet, ...]) -> Gathered:
        """The light of every pixel with the part at `pose`."""
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

    def lit_pixels(self, light: Gathered) -> BoolArray:
        """Pixels that the metering looks at: whole on metal and lit."""
        lit: BoolArray = self.hits.truth.lit.ravel() & (light.empty == 0) & (light.flat > 0)
        return lit
