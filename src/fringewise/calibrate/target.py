"""The calibration target: a grid of corners or dots, how well it is known, and how it may be bent."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from fringewise.calibrate.documents import TargetDocument
from fringewise.core.checks import Array, positive

GridKind = Literal["checkerboard", "dots"]

BEND_REACH: Final = 0.25
"""Correlation length of a target's bend as a share of its diagonal; a print's wrinkles are so wide."""

_LEAST_CORNER_SHARE: Final = 1e-5
_ROUGHNESS: Final = 0.15
_LEAST_MODE: Final = 1e-3


@dataclass(frozen=True, slots=True)
class Target:
    """A flat target as its certificate states it (format 6).

    Attributes
    ----------
    identity : str
    kind : {"checkerboard", "dots"}
        Inner corners of a checkerboard, or round dots.
    columns, rows : int
        Of corners or dots.
    pitch_mm : float
    pitch_uncertainty_mm : float
        Standard uncertainty of the mean pitch; shared by all corners, so the scale of all that is measured.
    corner_uncertainty_mm : float, optional
        Standard uncertainty of a single corner's place, each way; absent counts as exact, and is said.
    flatness_mm : float, optional
        How far from flat the target may be: 95 % of the corners within ± this of the plane. Absent: flat.
    dark_on_light : bool
        For dots.
    """

    identity: str
    kind: GridKind
    columns: int
    rows: int
    pitch_mm: float
    pitch_uncertainty_mm: float = 0.0
    corner_uncertainty_mm: float | None = None
    flatness_mm: float | None = None
    dark_on_light: bool = True

    def __post_init__(self) -> None:
        positive("the pitch", self.pitch_mm)
        if self.columns < 2 or self.rows < 2:
            raise ValueError(f"a target has 2 or more columns and rows (found {self.columns} × {self.rows})")

    @property
    def count(self) -> int:
        """Number of corners or dots."""
        return self.columns * self.rows

    def points_mm(self) -> Array:
        """Nominal places (rows · columns, 3), row by row, about the grid's middle; z is 0.

        Examples
        --------
        >>> Target("T", "checkerboard", 3, 2, 10.0).points_mm()[:3].tolist()
        [[-10.0, -5.0, 0.0], [0.0, -5.0, 0.0], [10.0, -5.0, 0.0]]
        """
        row, column = np.divmod(np.arange(self.count), self.columns)
        x = (column - (self.columns - 1) / 2) * self.pitch_mm
        y = (row - (self.rows - 1) / 2) * self.pitch_mm
        return np.column_stack([x, y, np.zeros_like(x)])


@dataclass(frozen=True, slots=True)
class ShapePrior:
    """How far a target's points may lie off their nominal places, before it is seen.

    Places are nominal + Σ mode · coefficient + single, with coefficients of variance 1 and `single` of the
    stated standard deviations (N, 3), all independent.

    Attributes
    ----------
    modes : (Q, N, 3) array
        mm; the first is the mean pitch, the others bends out of the plane, smooth over `BEND_REACH`.
    single_mm : (N, 3) array
    """

    modes: Array
    single_mm: Array


def target_from_document(document: TargetDocument) -> Target:
    """Make the target that a document states; expanded uncertainties become standard ones."""
    return Target(
        identity=document.id,
        kind=document.kind,
        columns=document.columns,
        rows=document.rows,
        pitch_mm=document.pitch_mm,
        pitch_uncertainty_mm=document.pitch_expanded_uncertainty_mm / document.coverage_factor,
        corner_uncertainty_mm=document.corner_uncertainty_mm,
        flatness_mm=document.flatness_mm,
        dark_on_light=document.dark_on_light is not False,
    )


def shape_prior(target: Target) -> ShapePrior:
    """Say how the target may differ from a flat, even grid, after what its certificate states.

    The bend is a Gaussian process of standard deviation flatness_mm / 2 with correlation exp(−d² / 2 L²),
    L = `BEND_REACH` · diagonal, its mean plane taken out (that is the pose); a small part of it is rough, so
    that single corners may stand off. Modes that make less than a thousandth of its variance are left out.
    """
    points = target.points_mm()
    corner = max(target.corner_uncertainty_mm or 0.0, _LEAST_CORNER_SHARE * target.pitch_mm)
    single = np.full(points.shape, corner)
    modes = [points * (target.pitch_uncertainty_mm / target.pitch_mm)] if target.pitch_uncertainty_mm else []
    if target.flatness_mm:
        sd = target.flatness_mm / 2
        single[:, 2] = np.hypot(corner, _ROUGHNESS * sd)
        modes.extend(_bends(points, sd))
    stacked = np.array(modes) if modes else np.empty((0, *points.shape))
    return ShapePrior(stacked, single)


def _bends(points: Array, sd_mm: float) -> list[Array]:
    diagonal = float(np.hypot(*np.ptp(points[:, :2], axis=0)))
    apart = np.linalg.norm(points[:, None, :2] - points[None, :, :2], axis=2)
    covariance = sd_mm**2 * np.exp(-0.5 * (apart / (BEND_REACH * diagonal)) ** 2)
    plane = np.linalg.qr(np.column_stack([np.ones(len(points)), points[:, :2]]))[0]
    free = np.eye(len(points)) - plane @ plane.T
    values, vectors = np.linalg.eigh(free @ covariance @ free)
    kept = values > _LEAST_MODE * values[-1]
    return [
        np.outer(np.sqrt(value) * vector, [0.0, 0.0, 1.0])
        for value, vector in zip(values[kept][::-1], vectors[:, kept].T[::-1], strict=True)
    ]
