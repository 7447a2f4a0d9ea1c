"""The uncertainty to expect: a stand-in is measured by the very same path as a capture would be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from fringewise.capture.head import Head
from fringewise.core.checks import positive
from fringewise.core.errors import refuse
from fringewise.core.measured import Measured
from fringewise.core.progress import Progress, Silent, steps
from fringewise.expect.scenes import EXPECTABLE
from fringewise.expect.stand_in import Light, Place, stand_in, surface_of, usual_place
from fringewise.findings.finding import DEFAULT_PLACING_PX, Finding
from fringewise.findings.kind import Look
from fringewise.findings.registry import measure_finding
from fringewise.sound.points import pixel_rays
from fringewise.surface.surface import Surface

_SILENT: Final = Silent()
_USUAL: Final = Light()

DOT_SHARE: Final = 0.016
"""Radius of the dots that marks may lie on, as a share of the stand-off."""


@dataclass(frozen=True, slots=True)
class Expected:
    """What to expect of one size at one stand-off.

    Attributes
    ----------
    standoff_mm : float
    measured : Measured, optional
        With the budget; its value is that of the stand-in. None where it could not be measured.
    reason : str
        Why not.
    """

    standoff_mm: float
    measured: Measured | None = None
    reason: str = ""


def expect(
    head: Head,
    kind: str,
    size: float,
    standoff_mm: float,
    *,
    light: Light = _USUAL,
    extent_mm: float | None = None,
    place: Place | None = None,
    on_dots: bool = False,
    placing_px: float = DEFAULT_PLACING_PX,
    seed: int = 0,
) -> Expected:
    """Say what uncertainty to expect of a size, before any capture.

    Parameters
    ----------
    head : Head
        With its noise (else a typical one is taken) and covariance (else calibration is not included).
    kind : str
        One of `fringewise.expect.scenes.EXPECTABLE`.
    size : float
        In the unit of the kind's quantity: a dent's depth in mm, an area in mm².
    standoff_mm : float
    light : Light
        Fringes, shifts, modulation.
    extent_mm : float, optional
        How wide a dent is, how long a gouge or an offset's line, how wide a step's patches or a flat; a usual
        one where absent.
    place : Place, optional
        How the metal stands, where it is known; its middle is moved along its ray to the stand-off. Absent:
        in the middle of the picture, tilted by 12°.
    on_dots : bool
        Whether the marks lie on dots or corners, to which they are drawn.
    placing_px : float
    seed : int

    Raises
    ------
    InputRefused
        A kind that can't be expected.

    Examples
    --------
    >>> import numpy as np
    >>> from fringewise.capture import Camera, Lens, NoiseModel, Projector
    >>> projector = Projector(Lens(0.72, 1, 0.5, 0), 1.0, None, np.eye(3), np.array([-2.6, 0, 0]))
    >>> camera = Camera(240, 180, Lens(175.0, 175.0, 117.5, 91.1))
    >>> head = Head("H", camera, projector, noise=NoiseModel(1.23, 0.02, 8))
    >>> near, far = (expect(head, "distance", 4.0, z).measured for z in (12.0, 24.0))
    >>> near.standard_uncertainty < far.standard_uncertainty
    True
    """
    if kind not in EXPECTABLE:
        raise refuse("--kind", "", f"must be one of {', '.join(EXPECTABLE)}", kind)
    positive("the size", size)
    positive("the stand-off", standoff_mm)
    row = EXPECTABLE[kind]
    extent = extent_mm if extent_mm is not None else row.extent(size, standoff_mm)
    dot = DOT_SHARE * standoff_mm if on_dots else 0.0
    sketch = row.sketch(size, positive("the extent", extent), dot)
    usual = usual_place(standoff_mm) if place is None else place
    middle = usual.middle_mm * (standoff_mm / usual.middle_mm[2])
    standing = stand_in(head, Place(middle, usual.first, usual.away), sketch.height)
    marks = {name: standing.pixels(places) for name, places in sketch.marks.items()}
    height, width = head.camera.height, head.camera.width
    for places in marks.values():
        if not np.all((places > 0) & (places < np.array([width - 1, height - 1]))):
            return Expected(standoff_mm, reason="it does not fit into the picture: too near for this size")
    rng = np.random.default_rng(seed)
    surface = surface_of(standing, light, rng, sketch.ink)
    finding = Finding("expected", kind, marks, placing_px, whole_extent_in_view="yes")
    look = Look(surface, pixel_rays(surface), rng, draws=0)
    result = measure_finding(look, finding)
    if result.reason:
        return Expected(standoff_mm, reason=result.reason)
    return Expected(standoff_mm, result.quantity(row.quantity))


def expect_over(
    head: Head,
    kind: str,
    size: float,
    standoffs_mm: Sequence[float],
    *,
    light: Light = _USUAL,
    extent_mm: float | None = None,
    on_dots: bool = False,
    progress: Progress = _SILENT,
) -> tuple[Expected, ...]:
    """Say what to expect at several stand-offs; parameters as for `expect`."""
    return tuple(
        expect(head, kind, size, z, light=light, extent_mm=extent_mm, on_dots=on_dots)
        for z in steps(standoffs_mm, "expecting", progress, len(standoffs_mm))
    )


def light_of(surface: Surface) -> Light:
    """Fringes, shifts and median modulation of a capture's surface, to expect with.

    Raises
    ------
    InputRefused
        A surface that does not say them.
    """
    if surface.finest_set is None or surface.modulation is None or not surface.usable.any():
        raise refuse("the surface", "", "must come from a capture, to tell its fringes and modulation")
    modulation = float(np.median(surface.modulation[surface.usable]))
    return Light(surface.finest_set.fringes, len(surface.finest_set.shifts_rad), modulation)
