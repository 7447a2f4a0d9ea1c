"""From gathered light to grey levels: how strong the light is set, response, noise, rounding and clipping."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.capture.capture import FrameArray
from fringewise.capture.head import NoiseModel
from fringewise.core.checks import Array
from fringewise.core.kernels import kernel
from fringewise.virtual.exposure import Exposure, PhotoKind
from fringewise.virtual.light import Gathered
from fringewise.virtual.patch import BoolArray

Float32Array = npt.NDArray[np.float32]

_ROUNDING_VARIANCE: Final = 1 / 12
_FULL_SHARE: Final = 0.95
_WARM_LIGHT: Final = (1.0, 0.97, 0.90)
"""What a colour photo sees of grey metal in red, green and blue."""


@dataclass(frozen=True, slots=True)
class Meter:
    """The light that a picture is taken with.

    Attributes
    ----------
    light_dn, photo_dn : float
        Grey levels per unit of gathered light, for frames and for the photo.
    even, background : float
        Even light and light from past the part, in units of gathered light.
    median : float
        Level of the median lit pixel in units of gathered light.
    """

    light_dn: float
    photo_dn: float
    even: float
    background: float
    median: float

    @classmethod
    def set_on(cls, light: Gathered, lit: BoolArray, exposure: Exposure, noise: NoiseModel) -> Meter:
        """Choose the light by the pixels (P,) that count as lit; a fixed `Exposure.light_dn` is kept."""
        flat, albedo = light.flat[lit], light.even[lit]
        middle = float(np.median(flat)) if len(flat) else 0.0
        even = exposure.ambient * (middle / float(np.median(albedo)) if len(flat) else 1.0)
        mean = flat + even * albedo
        median = float(np.median(mean)) if len(flat) else 1.0

        def lamp(share: float, swing: float) -> float:
            wanted = max(share * noise.saturation_dn - noise.dark_dn, 1.0) / median
            if not (len(flat) and exposure.unsaturated):
                return wanted
            peak = ((mean + swing * flat) / median) ** exposure.gamma
            highest = median * float(np.quantile(peak, exposure.unsaturated))
            return min(wanted, (_FULL_SHARE * noise.saturation_dn - noise.dark_dn) / highest)

        frames, photo = lamp(exposure.level_share, exposure.contrast), lamp(exposure.photo_share, 0.0)
        if exposure.light_dn is not None:
            photo *= exposure.light_dn / frames
            frames = exposure.light_dn
        return cls(frames, photo, even, exposure.background * middle, median)

    def level(self, light: Gathered, wave: Array | float = 0.0) -> Array:
        """Light of all kinds in each pixel (P,), in units of `light_dn`."""
        return light.flat + wave + self.even * light.even + self.background * light.empty


class Drawing:
    """Draws frames: response, noise, rounding, clipping."""

    def __init__(
        self, noise: NoiseModel, gamma: float, rng: np.random.Generator, shape: tuple[int, int]
    ) -> None:
        self._bits, self._rng, self._shape = noise.bits, rng, shape
        self._scatter = np.empty(shape[0] * shape[1], dtype=np.float32)

        self._numbers = np.array(
            [
                gamma,
                max(noise.read_dn**2 - _ROUNDING_VARIANCE, 0.0),
                noise.gain_dn_per_electron,
                noise.dark_dn,
                noise.saturation_dn,
            ]
        )

    def blank(self, *more: int) -> FrameArray:
        """An empty picture (…, H, W) of the noise model's depth in bits."""
        shape, narrow = (*more, *self._shape), self._bits <= 8
        return np.empty(shape, dtype=np.uint8) if narrow else np.empty(shape, dtype=np.uint16)

    def frame(self, level_dn: Array, median_dn: float, into: FrameArray) -> None:
        """Draw one picture (H, W) of levels (P,) above dark; the response leaves `median_dn` as it is."""
        self._rng.standard_normal(dtype=np.float32, out=self._scatter)
        _digitise(level_dn, self._scatter, median_dn, self._numbers, into.reshape(-1))

    def photo(self, meter: Meter, light: Gathered, kind: PhotoKind) -> FrameArray:
        """Draw the photo: (H, W), or (H, W, 3) in colour."""
        level, median = meter.photo_dn * meter.level(light), meter.photo_dn * meter.median
        channels = self.blank(1 if kind == "grey" else len(_WARM_LIGHT))
        for channel, tint in zip(channels, (1.0,) if kind == "grey" else _WARM_LIGHT, strict=True):
            self.frame(level * tint, median * tint, channel)
        photo: FrameArray = channels[0] if kind == "grey" else channels.transpose(1, 2, 0).copy()
        return photo


@kernel()
def _digitise(level: Array, scatter: Float32Array, median: float, numbers: Array, into: FrameArray) -> None:
    gamma, read, gain, dark, most = numbers[0], numbers[1], numbers[2], numbers[3], numbers[4]
    for p in range(len(level)):
        light = max(level[p], 0.0)
        if gamma != 1.0 and light > 0.0:
            light = median * (light / median) ** gamma
        value = dark + light + np.sqrt(read + gain * light) * scatter[p]
        into[p] = int(min(max(np.floor(value + 0.5), 0.0), most))
