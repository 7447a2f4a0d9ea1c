"""Form: how far a face's points range about a fitted shape, after a filter that is named.

The range of noisy distances grows with their number (of normal ones 5.0 sigma for 100, 6.5 for 1,000, 7.7 for
10,000), so that a form error without its filter and its number of points says nothing. Here the distances are
smoothed by a Gaussian filter (ISO 16610-61: half of a wave's height passes at the cut-off), and what noise
alone would give after that filter is taken off: ranges and scatters add up by squares, about. Half of what
was taken off stays as uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.findings.combine import Variances
from fringewise.sound.points import RayPoints

BoolArray = npt.NDArray[np.bool_]

CUT_OFFS_MM: Final = (0.025, 0.08, 0.25, 0.8, 2.5, 8.0)
"""Cut-offs to choose from, the usual series."""

_ALPHA: Final = 0.4697
_WAVES_ACROSS: Final = 5.0
_LEAST_CUT_OFF_PX: Final = 6.0
_NOISE_DRAWS: Final = 16
_DOUBT: Final = 0.5
_LEAST_WEIGHT: Final = 0.3


@dataclass(frozen=True, slots=True)
class Form:
    """Distances of a face's points from a shape after the filter.

    Attributes
    ----------
    cut_off_mm : float
    count : int
        Number of points whose filtered distances count.
    filtered_mm : (N,) array
        NaN for points too near the edge of what was seen.
    noise_range_mm, noise_range_spread_mm : float
        Range that noise alone has after the filter, and its scatter from draw to draw.
    noise_rms_mm : float
        Its scatter from point to point.
    """

    cut_off_mm: float
    count: int
    filtered_mm: Array
    noise_range_mm: float
    noise_range_spread_mm: float
    noise_rms_mm: float

    @property
    def extremes(self) -> tuple[int, int]:
        """Which points are lowest and highest."""
        return int(np.nanargmin(self.filtered_mm)), int(np.nanargmax(self.filtered_mm))

    @property
    def range_mm(self) -> float:
        """Range of the filtered distances, what noise adds taken off."""
        return _without(float(np.nanmax(self.filtered_mm) - np.nanmin(self.filtered_mm)), self.noise_range_mm)

    @property
    def rms_mm(self) -> float:
        """Root of the mean square of the filtered distances about their mean, likewise."""
        return _without(float(np.nanstd(self.filtered_mm)), self.noise_rms_mm)

    def range_variances(self, inflation: float) -> Variances:
        """Variances of the range: of its extremes' noise, and of what was taken off."""
        taken = float(np.nanmax(self.filtered_mm) - np.nanmin(self.filtered_mm)) - self.range_mm
        noise = self.noise_range_spread_mm**2
        return Variances(noise, 0.0, (inflation - 1) * noise, (_DOUBT * taken) ** 2)

    def rms_variances(self, inflation: float) -> Variances:
        """Variances of the root mean square, likewise; it has as many free values as filter widths fit in."""
        taken = float(np.nanstd(self.filtered_mm)) - self.rms_mm
        noise = self.noise_rms_mm**2 / max(2 * self._free_values, 2.0)
        return Variances(noise, 0.0, (inflation - 1) * noise, (_DOUBT * taken) ** 2)

    @property
    def _free_values(self) -> float:
        return (self.noise_range_mm / max(self.noise_rms_mm, 1e-12)) ** 2

    def in_words(self) -> str:
        """The filter and the number of points, for a person."""
        cut_off, count = f"{self.cut_off_mm:g} mm", f"{self.count:,}"
        return f"form after a Gaussian filter with a cut-off of {cut_off}, over {count} points"


def form_of(
    points: RayPoints, distances_mm: Array, sigma_mm: Array, inside: BoolArray, rng: np.random.Generator
) -> Form:
    """Filter the distances of a face's points (N,) from its shape.

    Parameters
    ----------
    points : RayPoints
        Inside and a few pixels round it.
    distances_mm, sigma_mm : (N,) arrays
        Signed distances and their u from frame noise.
    inside : (N,) bool
        The points that count; the others only fill the filter's window.
    rng : numpy Generator
    """
    pixel = _pixel_mm(points)
    extent = float(np.sqrt(inside.sum())) * pixel
    cut_off = _cut_off(extent, pixel)
    grid = _PixelGrid.of(points, _ALPHA * cut_off / np.sqrt(2 * np.pi) / pixel)
    filtered = np.where(inside, grid.smoothed(distances_mm), np.nan)
    known = np.isfinite(filtered)
    noise = np.array(
        [grid.smoothed(rng.normal(0.0, 1.0, len(points)) * sigma_mm)[known] for _ in range(_NOISE_DRAWS)]
    )
    ranges = np.ptp(noise, axis=1)
    return Form(
        cut_off,
        int(known.sum()),
        filtered,
        float(ranges.mean()),
        float(ranges.std(ddof=1)),
        float(noise.std()),
    )


def _without(whole: float, noise: float) -> float:
    return float(np.sqrt(max(whole**2 - noise**2, 0.0)))


def _cut_off(extent_mm: float, pixel_mm: float) -> float:
    """The longest cut-off that fits five times across the face and covers some pixels, else the shortest."""
    fitting = [one for one in CUT_OFFS_MM if _WAVES_ACROSS * one <= extent_mm]
    if fitting and fitting[-1] >= _LEAST_CUT_OFF_PX * pixel_mm:
        return fitting[-1]
    return next((one for one in CUT_OFFS_MM if one >= _LEAST_CUT_OFF_PX * pixel_mm), CUT_OFFS_MM[-1])


def _pixel_mm(points: RayPoints) -> float:
    """Typical distance between neighbouring pixels on the face, square to the view."""
    per_u = np.ptp(points.x) / max(np.ptp(points.u), 1.0)
    return float(per_u / np.median(points.inverse_depth))


@dataclass(frozen=True, slots=True)
class _PixelGrid:
    """Values at pixels, smoothed by a Gaussian over the pixels that have one."""

    rows: npt.NDArray[np.intp]
    columns: npt.NDArray[np.intp]
    shape: tuple[int, int]
    sigma_px: float
    weight: Array

    @classmethod
    def of(cls, points: RayPoints, sigma_px: float) -> _PixelGrid:
        rows = (points.v - points.v.min()).astype(np.intp)
        columns = (points.u - points.u.min()).astype(np.intp)
        shape = int(rows.max()) + 1, int(columns.max()) + 1
        held = np.zeros(shape, dtype=np.float32)
        held[rows, columns] = 1.0
        weight = _blurred(held, sigma_px)[rows, columns]
        return cls(rows, columns, shape, sigma_px, weight)

    def smoothed(self, values: Array) -> Array:
        """Weighted means at the points; NaN where less than a third of the filter's window was seen."""
        filled = np.zeros(self.shape, dtype=np.float32)
        filled[self.rows, self.columns] = values
        mean = _blurred(filled, self.sigma_px)[self.rows, self.columns] / self.weight
        return np.where(self.weight >= _LEAST_WEIGHT, mean, np.nan)


def _blurred(image: npt.NDArray[np.float32], sigma_px: float) -> Array:
    blurred = cv2.GaussianBlur(image, (0, 0), sigma_px, borderType=cv2.BORDER_CONSTANT)
    return blurred.astype(np.float64)
