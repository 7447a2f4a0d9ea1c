"""The smallest smooth removal that clears a damage of an edge.

It is flat over the damage and runs out on both sides in half a cosine: y = d/2 (1 + cos(π t/w)) over a ramp
of width w. Its least radius of curvature is 2 w²/(π² d).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.verdict.sizes import tolerance

_FLATS: Final = 60


@dataclass(frozen=True, slots=True)
class Removal:
    """The shape of a removal along the edge, lengths in mm.

    Attributes
    ----------
    depth_mm : float
        Greatest depth from the restored edge.
    flat_mm : float
        Length over which it has this depth.
    ramp_mm : float
        Width of each run-out.
    """

    depth_mm: float
    flat_mm: float
    ramp_mm: float

    @property
    def length_mm(self) -> float:
        """Whole length along the edge."""
        return self.flat_mm + 2 * self.ramp_mm

    @property
    def area_mm2(self) -> float:
        """Area taken away, measured square to the edge."""
        return self.depth_mm * (self.flat_mm + self.ramp_mm)

    @property
    def radius_least_mm(self) -> float:
        """Least radius of curvature, in the middle and at the ends of a run-out."""
        return 2 * self.ramp_mm**2 / (math.pi**2 * self.depth_mm)

    def depths_mm(self, along_mm: Array) -> Array:
        """Depth at places along the edge, counted from the middle; 0 outside.

        Examples
        --------
        >>> Removal(1.0, 2.0, 4.0).depths_mm(np.array([0.0, 1.0, 3.0, 5.0, 9.0])).round(3).tolist()
        [1.0, 1.0, 0.5, 0.0, 0.0]
        """
        into = np.clip((np.abs(along_mm) - self.flat_mm / 2) / self.ramp_mm, 0.0, 1.0)
        return np.asarray(self.depth_mm / 2 * (1 + np.cos(np.pi * into)))


def smallest_removal(
    depth_mm: float,
    length_mm: float,
    *,
    length_to_depth: float,
    radius_min_mm: float,
    outline_mm: Array | None = None,
) -> Removal:
    """Give the smallest removal of a depth that clears a damage.

    Parameters
    ----------
    depth_mm : float
        Of the removal: the damage with its doubt and the extra removal.
    length_mm : float
        Of the damage along the edge, with its doubt.
    length_to_depth, radius_min_mm : float
        Least of the removal.
    outline_mm : (N, 2) array, optional
        Places along the edge from the damage's middle, and the depth to clear there. Without it the damage
        counts as equally deep over all its length.

    Examples
    --------
    >>> made = smallest_removal(1.0, 2.0, length_to_depth=8.0, radius_min_mm=1.0)
    >>> made.length_mm, round(made.radius_least_mm, 2)
    (8.0, 1.82)
    """
    least = math.pi * math.sqrt(depth_mm * radius_min_mm / 2)
    if outline_mm is None:
        flats = [length_mm]
        outline_mm = np.array([[length_mm / 2, depth_mm]])
    else:
        widest = max(length_mm, 2 * float(np.abs(outline_mm[:, 0]).max()))
        flats = [widest * n / _FLATS for n in range(_FLATS + 1)]
    found = []
    for flat in flats:
        ramp = max(least, (length_to_depth * depth_mm - flat) / 2, _ramp_over(outline_mm, depth_mm, flat))
        if math.isfinite(ramp):
            found.append(Removal(depth_mm, flat, ramp))
    return min(found, key=lambda one: one.area_mm2)


def _ramp_over(outline_mm: Array, depth_mm: float, flat_mm: float) -> float:
    """Give the least ramp with which a removal clears an outline; infinite where no ramp does."""
    least = 0.0
    for along, needed in outline_mm:
        outside = abs(float(along)) - flat_mm / 2
        if outside <= tolerance(flat_mm) or needed <= 0:
            continue
        if needed >= depth_mm:
            return math.inf
        least = max(least, math.pi * outside / math.acos(2 * float(needed) / depth_mm - 1))
    return least
