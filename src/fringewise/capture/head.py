"""The head: camera, projector, noise, and how well all that is known.

Camera frame: x right, y down, z forward, origin at the camera's centre; mm. Pixel (u right, v down) with the
centre of the top-left pixel at (0, 0). Pattern column c and row r run from 0 to 1 across the pattern.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from fringewise.capture.lens import Lens
from fringewise.core.checks import Array, finite, frozen, positive, shaped

PARAMETER_NAME: Final = re.compile(
    r"camera\.(fx|fy|cx|cy|distortion\.[0-7])"
    r"|projector\.(fx|fy|cx|cy|distortion\.[0-7]|translation_mm\.[0-2]|rotation_vector\.[0-2])"
)
"""Names that a calibration covariance may list (format 2)."""


@dataclass(frozen=True, slots=True)
class Camera:
    """The camera: its image size in pixels and its lens."""

    width: int
    height: int
    lens: Lens

    def __post_init__(self) -> None:
        positive("camera width", self.width)
        positive("camera height", self.height)


@dataclass(frozen=True, slots=True)
class Projector:
    """The fringe projector: its lens, its pattern's size in the lens's units, and its pose.

    A point X (mm, camera frame) lies at rotation · X + translation_mm in the projector's frame.

    Attributes
    ----------
    lens : Lens
    width : float
        Pattern width in the units of ``lens.fx`` and ``lens.cx``.
    height : float, optional
        Pattern height in the units of ``lens.fy``; absent where rows are not calibrated.
    rotation : (3, 3) array
    translation_mm : (3,) array
    """

    lens: Lens
    width: float
    height: float | None
    rotation: Array
    translation_mm: Array

    def __post_init__(self) -> None:
        positive("projector width", self.width)
        if self.height is not None:
            positive("projector height", self.height)
        shaped("projector rotation", np.asarray(self.rotation), 3, 3)
        shaped("projector translation_mm", np.asarray(self.translation_mm), 3)
        object.__setattr__(self, "rotation", frozen(self.rotation))
        object.__setattr__(self, "translation_mm", frozen(self.translation_mm))
        off = np.abs(self.rotation @ self.rotation.T - np.eye(3)).max()
        if not off < 1e-4 or np.linalg.det(self.rotation) < 0:
            raise ValueError(f"projector rotation must be a rotation matrix (off by {off:.2g})")
        if not np.all(np.isfinite(self.translation_mm)) or not np.any(self.translation_mm):
            raise ValueError("projector translation_mm must be finite and not all 0")

    def column_row(self, xyz_mm: Array) -> tuple[Array, Array]:
        """Pattern column c and row r of points (…, 3) in the camera frame; r is NaN without rows."""
        points = np.asarray(xyz_mm) @ self.rotation.T + self.translation_mm
        u, v = self.lens.pixel(points[..., 0] / points[..., 2], points[..., 1] / points[..., 2])
        row = v / self.height if self.height is not None else np.full_like(v, np.nan)
        return u / self.width, row


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """How a frame's grey levels scatter: variance = read_dn² + gain · max(I − dark_dn, 0), in grey levels².

    Attributes
    ----------
    read_dn : float
        Standard deviation of one frame's read-out, rounding to whole grey levels included.
    gain_dn_per_electron : float
    bits : int
        Frames hold 0 … 2^bits − 1; the greatest is saturated.
    dark_dn : float
        An offset that is not light.
    """

    read_dn: float
    gain_dn_per_electron: float
    bits: int
    dark_dn: float = 0.0

    def __post_init__(self) -> None:
        for name in ("read_dn", "gain_dn_per_electron", "dark_dn"):
            if not (math.isfinite(getattr(self, name)) and getattr(self, name) >= 0):
                raise ValueError(f"{name} must be 0 or more (found {getattr(self, name)})")
        if not 1 <= self.bits <= 16:
            raise ValueError(f"bits must be 1 to 16 (found {self.bits})")

    @property
    def saturation_dn(self) -> int:
        """The grey level at which the camera is at its limit."""
        return (1 << self.bits) - 1

    def variance_dn2(self, level_dn: npt.ArrayLike) -> Array:
        """Variance of one frame at a grey level."""
        light = np.maximum(np.asarray(level_dn, dtype=np.float64) - self.dark_dn, 0.0)
        return self.read_dn**2 + self.gain_dn_per_electron * light


@dataclass(frozen=True, slots=True)
class CalibrationCovariance:
    """Covariance of (stated − true) of the head's parameters, cross terms included.

    Attributes
    ----------
    parameters : tuple of str
        Names after format 2, such as ``projector.translation_mm.0``.
    matrix : (P, P) array
        Symmetric, positive semidefinite; units are products of the fields' units (rotation in rad).
    """

    parameters: tuple[str, ...]
    matrix: Array

    def __post_init__(self) -> None:
        n = len(self.parameters)
        shaped("covariance matrix", np.asarray(self.matrix), n, n)
        object.__setattr__(self, "matrix", frozen(self.matrix))
        unknown = [name for name in self.parameters if not PARAMETER_NAME.fullmatch(name)]
        if unknown:
            raise ValueError(f"covariance names an unknown parameter: {unknown[0]}")
        if len(set(self.parameters)) != n:
            raise ValueError("covariance names a parameter twice")
        if not np.all(np.isfinite(self.matrix)):
            raise ValueError("covariance must be finite")
        scale = np.sqrt(np.maximum(np.diag(self.matrix), 0.0))
        if np.abs(self.matrix - self.matrix.T).max(initial=0.0) > 1e-6 * max(
            scale.max(initial=0.0) ** 2, 1e-300
        ):
            raise ValueError("covariance must be symmetric")
        unit = np.where(scale > 0, scale, 1.0)
        correlation = self.matrix / np.outer(unit, unit)
        least = np.linalg.eigvalsh((correlation + correlation.T) / 2).min(initial=0.0)
        if np.any(np.diag(self.matrix) < 0) or least < -1e-6:
            raise ValueError(f"covariance must be positive semidefinite (least eigenvalue {least:.2g})")


@dataclass(frozen=True, slots=True)
class Head:
    """A measuring head as calibrated (format 2).

    Attributes
    ----------
    serial : str
    camera : Camera
    projector : Projector
    probes : tuple of str
        The probes that this calibration holds for; empty when not known.
    calibrated_on, valid_until : date, optional
        Absent is "not known", never "valid".
    noise : NoiseModel, optional
        Absent: estimated from the frames, and results say so.
    phase_ripple_rad : float
        Standard deviation of the phase error that repeats with the fringe; shared, not noise.
    covariance : CalibrationCovariance, optional
        Absent: calibration is ``not_included`` in every result.
    working_range_mm : tuple of float, optional
    extra : mapping
        Fields of the document that this program does not know; kept.
    """

    serial: str
    camera: Camera
    projector: Projector
    probes: tuple[str, ...] = ()
    calibrated_on: date | None = None
    valid_until: date | None = None
    noise: NoiseModel | None = None
    phase_ripple_rad: float = 0.0
    covariance: CalibrationCovariance | None = None
    working_range_mm: tuple[float, float] | None = None
    extra: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not (math.isfinite(self.phase_ripple_rad) and self.phase_ripple_rad >= 0):
            raise ValueError(f"phase_ripple_rad must be 0 or more (found {self.phase_ripple_rad})")
        if self.working_range_mm is not None:
            near, far = self.working_range_mm
            finite("working range", far)
            if not 0 <= near < far:
                raise ValueError(f"working_range_mm must rise from 0 or more (found {near} to {far})")


def moved_by(head: Head, offsets: Mapping[str, float]) -> Head:
    """Give the head with some parameters changed by `offsets` (names after format 2).

    A rotation vector w (rad) turns the projector: rotation' = exp([w]×) · rotation, translation unchanged.

    Examples
    --------
    >>> lens = Lens(700, 700, 480, 360)
    >>> projector = Projector(lens, 1.0, None, np.eye(3), np.array([-2.6, 0, 0]))
    >>> head = Head("H", Camera(960, 720, lens), projector)
    >>> moved_by(head, {"camera.fx": 2.0}).camera.lens.fx
    702.0
    """
    for name in offsets:
        if not PARAMETER_NAME.fullmatch(name):
            raise ValueError(f"unknown head parameter: {name}")
    camera, projector = head.camera, head.projector
    translation = projector.translation_mm + [
        offsets.get(f"projector.translation_mm.{n}", 0.0) for n in range(3)
    ]
    turn = np.array([offsets.get(f"projector.rotation_vector.{n}", 0.0) for n in range(3)])
    return replace(
        head,
        camera=replace(camera, lens=_lens_moved(camera.lens, "camera", offsets)),
        projector=replace(
            projector,
            lens=_lens_moved(projector.lens, "projector", offsets),
            rotation=rotation_from_vector(turn) @ projector.rotation,
            translation_mm=translation,
        ),
    )


def rotation_from_vector(vector_rad: npt.ArrayLike) -> Array:
    """Rotation matrix exp([w]×) of a rotation vector w in rad (Rodrigues' formula)."""
    w = np.asarray(vector_rad, dtype=np.float64)
    shaped("rotation vector", w, 3)
    angle = float(np.linalg.norm(w))
    cross = np.array([[0, -w[2], w[1]], [w[2], 0, -w[0]], [-w[1], w[0], 0]])
    first = np.sinc(angle / np.pi)
    second = 0.5 * np.sinc(angle / (2 * np.pi)) ** 2
    return np.asarray(np.eye(3) + first * cross + second * cross @ cross)


def _lens_moved(lens: Lens, owner: str, offsets: Mapping[str, float]) -> Lens:
    fx, fy, cx, cy = (getattr(lens, n) + offsets.get(f"{owner}.{n}", 0.0) for n in ("fx", "fy", "cx", "cy"))
    distortion = tuple(
        term + offsets.get(f"{owner}.distortion.{n}", 0.0) for n, term in enumerate(lens.distortion)
    )
    return Lens(fx, fy, cx, cy, distortion)
