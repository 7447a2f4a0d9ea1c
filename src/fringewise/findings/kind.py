"""A kind of finding: its marks, its quantities and their meaning, and how it is measured."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from fringewise.findings.finding import Finding, FindingResult
from fringewise.sound.points import PixelRays, pixel_rays
from fringewise.surface.surface import Surface


@dataclass(frozen=True, slots=True)
class QuantityMeaning:
    """A quantity that a kind gives: its name and unit in results, and what it is in words."""

    name: str
    unit: str
    words: str


@dataclass(frozen=True, slots=True)
class Look:
    """What a measurement looks at: the surface, how its pixels see, and a source of draws.

    Attributes
    ----------
    surface : Surface
    rays : PixelRays
    rng : numpy Generator
        For draws; handed in, so that a result can be repeated.
    draws : int
        Of the Monte Carlo route, which checks the linear one and is reported where both differ; 0 leaves it
        out.
    """

    surface: Surface
    rays: PixelRays
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(0))
    draws: int = 10_000

    @property
    def photo(self) -> npt.NDArray[Any] | None:
        """The photo that the marks were set on, where there is one."""
        return self.surface.photo


Measure = Callable[[Look, Finding], FindingResult]


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of format 3.

    Attributes
    ----------
    name : str
    quantities : tuple of QuantityMeaning
    measure : callable
        Raises NotMeasurable, with words for the technician, where no honest number can be had.
    """

    name: str
    quantities: tuple[QuantityMeaning, ...]
    measure: Measure


def look_at(surface: Surface, seed: int = 0) -> Look:
    """Make a surface ready for measuring."""
    return Look(surface, pixel_rays(surface), np.random.default_rng(seed))


def quantity_words(name: str) -> str:
    """Give a quantity's name as it is spoken.

    Examples
    --------
    >>> quantity_words("along_surface"), quantity_words("gap_least")
    ('along the surface', 'least gap')
    """
    spoken = {
        "straight": "straight distance",
        "along_surface": "along the surface",
        "end_to_end": "end to end",
        "lost_area": "lost area",
        "gap_least": "least gap",
        "gap_mean": "mean gap",
        "tilt_deg": "tilt",
        "loss_greatest": "greatest loss",
        "radius_least": "least radius",
        "length_to_depth": "length to depth",
    }
    return spoken.get(name, name.replace("_", " "))
