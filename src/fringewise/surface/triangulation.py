"""From a phase map to a surface: a point and its noise for each pixel, with what speaks against it."""

from __future__ import annotations

from fringewise.capture.capture import Capture
from fringewise.core.errors import NotMeasurable
from fringewise.phase.phase_map import PhaseMap
from fringewise.surface.cleaning import clean
from fringewise.surface.rays import points_on_rays
from fringewise.surface.surface import Surface


def triangulate(phase_map: PhaseMap, capture: Capture) -> Surface:
    """Give the surface that a capture's phase map shows.

    Each point lies on its pixel centre's ray, where that meets the surface of the pixel's pattern column; σ
    is the noise of the distance along the ray. Nothing is smoothed and nothing is dropped: what must not be
    measured on is flagged, mixed pixels and islands among it (`fringewise.surface.cleaning`).

    Parameters
    ----------
    phase_map : PhaseMap
    capture : Capture
        The capture that the map was decoded from; its head gives the calibration.

    Raises
    ------
    NotMeasurable
        The capture has no head.
    ValueError
        The phase map has another size than the head's camera.
    """
    head = capture.head
    if head is None:
        raise NotMeasurable("this capture has no head calibration: add head.json, then measure again")
    if phase_map.column.shape != (head.camera.height, head.camera.width):
        raise ValueError(f"the phase map's size is not the camera's (found {phase_map.column.shape})")
    xyz, sigma, flags = points_on_rays(head, phase_map.column, phase_map.column_sigma, phase_map.flags)
    surface = Surface(
        xyz,
        sigma,
        flags,
        photo=capture.photo,
        modulation=phase_map.modulation,
        head=head,
        motion=phase_map.motion,
        finest_set=max(
            (one.fringe_set for one in capture.column_sets), key=lambda one: one.fringes, default=None
        ),
        noise_source=phase_map.noise_source,
    )
    return clean(surface)
