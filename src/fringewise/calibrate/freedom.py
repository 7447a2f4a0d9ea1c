"""Which of the head's parameters a calibration frees, and how each is held where the data don't carry it.

Each parameter that real heads differ in is freed and held by a wide prior, so that it moves as far as the
data say and no further; what the data leave open stays in the covariance. Distortion terms are held by what
they do at the outermost point seen: a share of its distance from the axis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from fringewise.calibrate.bundle import parameter_value
from fringewise.calibrate.residuals import Held
from fringewise.capture.head import Head
from fringewise.core.checks import Array

RADIAL: Final = {0: 2, 1: 4, 4: 6}
"""Power of the radius that each radial term goes with."""


@dataclass(frozen=True, slots=True)
class Habits:
    """How lenses and sensors are known to differ: standard deviations that hold the parameters.

    Attributes
    ----------
    aspect : float
        Of the camera's fy about fx, as a share.
    centre : float
        Of the camera's principal point about the image's middle, as a share of the image's size.
    pattern_centre : (float, float)
        The same of the projector, across columns and rows; many projectors throw upwards.
    camera_radial, projector_radial : tuple of float
        k1, k2, k3: moved share of the distance from the axis, at the outermost point seen.
    camera_tangential, projector_tangential : float
    """

    aspect: float = 0.01
    centre: float = 0.05
    pattern_centre: tuple[float, float] = (0.15, 1.0)
    camera_radial: tuple[float, float, float] = (0.2, 0.06, 0.02)
    projector_radial: tuple[float, float, float] = (0.1, 0.03, 0.01)
    camera_tangential: float = 0.003
    projector_tangential: float = 0.002


USUAL: Final = Habits()


def free_parameters(head: Head, points_mm: Sequence[Array], habits: Habits) -> Held:
    """Say what is freed and how it is held, for points (n, 3) of each view in the camera frame."""
    rows = head.projector.height is not None
    seen = np.concatenate(
        [np.column_stack([one[:, 0] / one[:, 2], one[:, 1] / one[:, 2]]) for one in points_mm]
    )
    lit_frame = np.concatenate([*points_mm]) @ head.projector.rotation.T + head.projector.translation_mm
    lit = lit_frame[:, :2] / lit_frame[:, 2:]
    camera, projector = head.camera, head.projector
    held: dict[str, tuple[float, float]] = {
        "camera.fx": (camera.lens.fx, np.inf),
        "camera.fy": (camera.lens.fx, habits.aspect * camera.lens.fx),
        "camera.cx": ((camera.width - 1) / 2, habits.centre * camera.width),
        "camera.cy": ((camera.height - 1) / 2, habits.centre * camera.height),
        **_terms("camera", _reach(seen), habits.camera_radial, habits.camera_tangential),
        "projector.fx": (projector.lens.fx, np.inf),
        "projector.cx": (projector.width / 2, habits.pattern_centre[0] * projector.width),
    }
    if projector.height is not None:
        held["projector.fy"] = (projector.lens.fy, np.inf)
        held["projector.cy"] = (projector.height / 2, habits.pattern_centre[1] * projector.height)
    held |= _terms("projector", _reach(lit), habits.projector_radial, habits.projector_tangential)
    for n in range(3):
        if rows or n != 1:
            held[f"projector.translation_mm.{n}"] = (float(projector.translation_mm[n]), np.inf)
    for n in range(3):
        held[f"projector.rotation_vector.{n}"] = (0.0, np.inf)
    values, sigma = zip(*held.values(), strict=True)
    return Held(tuple(held), np.array(values), np.array(sigma))


def only(held: Held, owner: str) -> Held:
    """Keep the parameters of ``camera`` or ``projector``."""
    at = [n for n, name in enumerate(held.names) if name.startswith(owner + ".")]
    return Held(tuple(held.names[n] for n in at), held.values[at], held.sigma[at])


def carried_by_data(held: Held, covariance: Array) -> dict[str, float]:
    """Give for each parameter that is held the share of its own width that is left open, 0 … 1.

    Near 0 the data carry it, near 1 nothing but the prior does.
    """
    left = np.sqrt(np.diag(covariance)) / held.sigma
    return {
        name: float(share)
        for name, share, sigma in zip(held.names, left, held.sigma, strict=True)
        if np.isfinite(sigma)
    }


def values_of(head: Head, names: Sequence[str]) -> Array:
    """Values (P,) of the head's parameters by name."""
    return np.array([parameter_value(head, name) for name in names])


def _terms(
    owner: str, reach: float, radial: tuple[float, ...], tangential: float
) -> dict[str, tuple[float, float]]:
    made = {
        f"{owner}.distortion.{term}": (0.0, share / reach**power)
        for (term, power), share in zip(RADIAL.items(), radial, strict=True)
        if share > 0
    }
    sideways = {f"{owner}.distortion.{term}": (0.0, tangential / reach) for term in (2, 3) if tangential > 0}
    return dict(sorted({**made, **sideways}.items()))


def _reach(directions: Array) -> float:
    return float(np.hypot(directions[:, 0], directions[:, 1]).max())
