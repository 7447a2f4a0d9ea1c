"""Random blades, and ways to place one sheet beside another in a part's frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fringewise.core.checks import Array, frozen, shaped
from fringewise.virtual.sheets import First, Second, Sheet, TwistedBlade


@dataclass(frozen=True, slots=True)
class Placed:
    """A sheet moved rigidly within the part's frame: X' = rotation · X + shift_mm."""

    sheet: Sheet
    rotation: Array
    shift_mm: Array

    def __post_init__(self) -> None:
        shaped("a placed sheet's rotation", np.asarray(self.rotation), 3, 3)
        shaped("a placed sheet's shift_mm", np.asarray(self.shift_mm), 3)
        object.__setattr__(self, "rotation", frozen(self.rotation))
        object.__setattr__(self, "shift_mm", frozen(self.shift_mm))

    def first(self, s: Array, t: Array) -> First:
        """Points and first derivatives at (s, t), each (N,)."""
        first = self.sheet.first(s, t)
        turned = [part @ self.rotation.T for part in first]
        return First(turned[0] + self.shift_mm, turned[1], turned[2])

    def second(self, s: Array, t: Array) -> Second:
        """Second derivatives at (s, t), each (N,)."""
        return Second(*(part @ self.rotation.T for part in self.sheet.second(s, t)))


def random_blade(rng: np.random.Generator) -> TwistedBlade:
    """A compressor-like blade face, hollow or bulging, 15-80 mm in radius across the chord.

    Twist up to 0.7° a mm, camber changing by up to half over 30 mm, stacking line bowed by up to 1/150 mm.
    """
    radius = float(1 / rng.uniform(1 / 80, 1 / 15))
    return TwistedBlade(
        radius_mm=radius if rng.uniform() < 0.5 else -radius,
        twist_rad_per_mm=float(rng.uniform(-0.012, 0.012)),
        twist_rate_rad_per_mm2=float(rng.uniform(-2e-4, 2e-4)),
        camber_rate_per_mm2=float(rng.uniform(-0.5, 0.5)) / (30.0 * radius),
        bow_per_mm=float(rng.uniform(-1, 1)) / 150.0,
    )
