"""How a picture is taken: light, faults and noise of a real head, as numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from fringewise.capture.head import NoiseModel
from fringewise.core.checks import finite, positive
from fringewise.virtual.shake import Pose

PhotoKind = Literal["none", "grey", "colour"]


@dataclass(frozen=True, slots=True)
class Exposure:
    """How a picture is taken.

    Attributes
    ----------
    level_share : float
        Mean level of the median lit pixel as a share of saturation (0.5 is 128 of 255), unless that
        would saturate more than `unsaturated` allows: then the light is turned down.
    unsaturated : float
        Share of the lit pixels that must stay below 95 % of saturation at their fringes' peaks; 0 for none.
    light_dn : float, optional
        Fixes the light instead of both: grey levels of a white surface square to the light at 17 mm.
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
        Defocus: fringes keep exp(−2 (π f b)²) of their contrast, with
        b = aperture · abs(1/z − 1/focus) · fx / width.
    soot, soot_size_mm : float
        Contrast of a cloudy deposit (0 … 1: 1 blackens its middle) and the size of its clouds.
    photo : {"none", "grey", "colour"}
    photo_share : float
        As `level_share`, for the photo.
    noise : NoiseModel, optional
        What truly scatters, where it is not what the head states.
    shake : tuple of Pose
        The part's motion at each frame in the order of the plan (and of the photo, if one more is given);
        empty for none.
    shake_newton_steps : int
        See `fringewise.virtual.shake`.
    """

    level_share: float = 0.4
    unsaturated: float = 0.998
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
        for name in ("contrast", "soot", "unsaturated"):
            if not 0 <= getattr(self, name) <= 1:
                raise ValueError(f"{name} must be from 0 to 1 (found {getattr(self, name)})")
        finite("falloff", self.falloff)
        if self.light_dn is not None:
            positive("light_dn", self.light_dn)
