"""Thrown-up metal beside a damage: its greatest height over the restored surface."""

from __future__ import annotations

from typing import Final

import numpy as np

from fringewise.core.measured import Measured
from fringewise.findings.combine import Touch, Variances, combine
from fringewise.findings.extremum import Extremum, find_extremum, luck_of
from fringewise.findings.kind import Look
from fringewise.findings.relief import Relief

_RAISED_SIGMAS: Final = 3.0


def raised_metal(look: Look, relief: Relief) -> tuple[Measured, ...]:
    """Measure the thrown-up metal of a relief; empty where none stands out of its own doubt."""
    highest = find_extremum(relief, look, sign=1.0)
    luck, luck_variance = luck_of(relief, look, highest, sign=1.0)
    height = highest.height_mm - luck
    noise = float(relief.noise_variance(*highest.at)[0]) + luck_variance
    restored = float(relief.model_variance(*highest.at)[0])
    if height < _RAISED_SIGMAS * np.sqrt(noise + restored):
        return ()
    variances = Variances(noise, 0.0, restored)
    touch = height_touch(highest, sign=1.0)
    return (combine("raised", "mm", height, variances, surface=look.surface, touch=touch),)


def height_touch(extremum: Extremum, *, sign: float) -> Touch:
    """Where a height (sign 1) or a depth (sign -1) at an extremum is taken: its point and its foot."""
    normal = sign * extremum.normal
    return Touch.at(extremum.point_mm, normal, decoded=True).and_at(
        Touch.at(extremum.foot_mm, -normal, decoded=False)
    )
