"""How surely a block catches a fault of the head: what each feature would read, and how often a test speaks.

A fault moves the true head away from what its calibration states. The block's points are then seen and lit as
the true head does it and measured with the stated one; the feature's size is off by δ. With σ the standard
uncertainty of reading and certificate, the E_n test speaks with probability P(|N(δ, σ)| > 2 L σ), L being its
limit for the block. Features count as independent.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import ndtr

from fringewise.capture.head import Head, moved_by
from fringewise.core.checks import Array, shaped
from fringewise.equipment.verification import e_n_limit
from fringewise.surface.jacobian import points_and_jacobian, points_at

Size = Callable[[Array], float]
"""Gives a size from points (K, 3), mm."""

_STEP_MM: Final = 1e-4


@dataclass(frozen=True, slots=True)
class BlockFeature:
    """A feature as the power of its test sees it.

    Attributes
    ----------
    name : str
    points_mm : (K, 3) array
        Where it stands, in the camera frame.
    size : callable
        What is measured of the points.
    own_uncertainty_mm : float
        Standard uncertainty of a reading without the calibration: frame noise, marks, definition.
    certified_uncertainty_mm : float
        Standard uncertainty of its certificate.
    """

    name: str
    points_mm: Array
    size: Size
    own_uncertainty_mm: float
    certified_uncertainty_mm: float = 0.0

    def __post_init__(self) -> None:
        shaped("a feature's points", self.points_mm, None, 3)


@dataclass(frozen=True, slots=True)
class Caught:
    """How surely a block catches a fault.

    Attributes
    ----------
    probability : float
        That the block's uncertainty test fails.
    errors_mm : tuple of float
        By how much each feature is off.
    """

    probability: float
    errors_mm: tuple[float, ...]


def caught(head: Head, fault: Mapping[str, float], features: Sequence[BlockFeature]) -> Caught:
    """Say how surely a block catches that a head is off by `fault` from its calibration.

    Parameters
    ----------
    head : Head
        As its calibration states it, with its covariance.
    fault : mapping
        True less stated, by the names of format 2; a rotation vector in rad.
    features : sequence of BlockFeature

    Examples
    --------
    >>> from fringewise.capture import Camera, Lens, Projector
    >>> projector = Projector(Lens(0.72, 1, 0.5, 0), 1.0, None, np.eye(3), np.array([-2.6, 0, 0]))
    >>> head = Head("H", Camera(960, 720, Lens(700.0, 700.0, 480.0, 360.0)), projector)
    >>> ends = np.array([[-4.0, 0.0, 12.0], [6.0, 0.0, 12.0]])
    >>> length = BlockFeature("L1", ends, length_of, 0.002)
    >>> made = caught(head, {"projector.translation_mm.0": -0.003 * 2.6}, [length])
    >>> round(made.errors_mm[0], 3), round(made.probability, 3)
    (-0.03, 1.0)
    """
    limit = e_n_limit(len(features))
    missed, errors = 1.0, []
    true = moved_by(head, fault)
    for feature in features:
        error = feature.size(_measured(true, head, feature.points_mm)) - feature.size(feature.points_mm)
        spread = max(stated_uncertainty(head, feature), 1e-12)
        missed *= float(ndtr(2 * limit - error / spread) - ndtr(-2 * limit - error / spread))
        errors.append(error)
    return Caught(1 - missed, tuple(errors))


def length_of(points_mm: Array) -> float:
    """Distance between the first point and the last."""
    return float(np.linalg.norm(points_mm[-1] - points_mm[0]))


def flatness_of(points_mm: Array) -> float:
    """Range of signed distances to the least-squares plane."""
    off = points_mm - points_mm.mean(axis=0)
    normal = np.linalg.svd(off, full_matrices=False)[2][2]
    return float(np.ptp(off @ normal))


def stated_uncertainty(head: Head, feature: BlockFeature) -> float:
    """Standard uncertainty of reading and certificate together, the head's covariance included, mm."""
    own = math.hypot(feature.own_uncertainty_mm, feature.certified_uncertainty_mm)
    if head.covariance is None:
        return own
    x, y = (feature.points_mm[:, n] / feature.points_mm[:, 2] for n in range(2))
    u, v = head.camera.lens.pixel(x, y)
    column, _ = head.projector.column_row(feature.points_mm)
    _, _, by_parameter = points_and_jacobian(head, np.column_stack([u, v]), column)
    gradient = np.einsum("ki,kip->p", _slopes(feature), by_parameter)
    return math.hypot(own, math.sqrt(max(float(gradient @ head.covariance.matrix @ gradient), 0.0)))


def _measured(true: Head, stated: Head, points_mm: Array) -> Array:
    """Where the stated head puts points that the true one sees and lights."""
    x, y = points_mm[:, 0] / points_mm[:, 2], points_mm[:, 1] / points_mm[:, 2]
    u, v = true.camera.lens.pixel(x, y)
    column, _ = true.projector.column_row(points_mm)
    return points_at(stated, np.column_stack([u, v]), column)


def _slopes(feature: BlockFeature) -> Array:
    """Derivative of the size by each point (K, 3); for a perfect plane's range it is that of its extremes."""
    made = np.zeros_like(feature.points_mm)
    for place in np.ndindex(*made.shape):
        moved = feature.points_mm.copy()
        moved[place] += _STEP_MM
        ahead = feature.size(moved)
        moved[place] -= 2 * _STEP_MM
        made[place] = (ahead - feature.size(moved)) / (2 * _STEP_MM)
    return made
