"""The standard virtual head and fringe plan, which demo, tests and trials share."""

from __future__ import annotations

import math

import numpy as np

from fringewise.capture.head import Camera, Head, NoiseModel, Projector
from fringewise.capture.lens import Lens
from fringewise.capture.plan import FringeSet


def standard_head(width: int = 960, height: int = 720) -> Head:
    """The standard virtual head, or the same head with fewer pixels on the same sensor.

    Examples
    --------
    >>> standard_head().camera.lens.fx, standard_head(240, 180).camera.lens.fx
    (700.0, 175.0)
    """
    binning = 960 / width
    lens = Lens(
        fx=700.0 / binning,
        fy=700.0 / binning,
        cx=(471.3 + 0.5) / binning - 0.5,  # pixel 0 of a coarser sensor begins at the same rim
        cy=(365.8 + 0.5) / binning - 0.5,
        distortion=(-0.11, 0.035, 0.0006, -0.0004, 0.0),
    )
    projector = Projector(Lens(0.72, 1.0, 0.5, 0.0), 1.0, None, np.eye(3), np.array([-2.6, 0.0, 0.0]))
    return Head(
        serial="VIRTUAL-1",
        camera=Camera(width, height, lens),
        projector=projector,
        probes=("VIRTUAL-PROBE",),
        noise=NoiseModel(read_dn=1.23, gain_dn_per_electron=0.02, bits=8),
        working_range_mm=(6.0, 60.0),
    )


def standard_plan(shifts: int = 4, fringes: tuple[float, ...] = (1.0, 7.0, 49.0)) -> tuple[FringeSet, ...]:
    """Sets of 1, 7 and 49 fringes with even shifts: 0, 90, 180, 270° by default.

    Examples
    --------
    >>> [one.fringes for one in standard_plan()]
    [1.0, 7.0, 49.0]
    """
    turns = tuple(2 * math.pi * n / shifts for n in range(shifts))
    return tuple(FringeSet(count, turns) for count in fringes)
