"""From a scene to a capture with its truth, in one call."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np

from fringewise.capture.capture import Capture
from fringewise.capture.head import Head
from fringewise.capture.plan import FringeSet
from fringewise.core.checks import Array
from fringewise.core.progress import Progress
from fringewise.virtual.exposing import expose
from fringewise.virtual.exposure import Exposure
from fringewise.virtual.hits import RAYS_PER_PIXEL, Hits, cast
from fringewise.virtual.optics import project
from fringewise.virtual.patch import Patch, Scene
from fringewise.virtual.pixel_truth import PixelTruth

INVENTED_TIME: Final = datetime(2026, 3, 14, 9, 26, 53, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Rendered:
    """A capture as a head would deliver it, and apart from it what is true.

    Attributes
    ----------
    capture : Capture
    truth : PixelTruth
    light_dn : float
        The light used, for further looks with the same light (`Exposure.light_dn`).
    """

    capture: Capture
    truth: PixelTruth
    light_dn: float


def render(
    scene: Scene,
    head: Head,
    plan: tuple[FringeSet, ...],
    exposure: Exposure,
    rng: np.random.Generator,
    *,
    rays_per_pixel: int = RAYS_PER_PIXEL,
    stated_head: Head | None = None,
    captured_at: datetime = INVENTED_TIME,
    probe: str | None = None,
    progress: Progress | None = None,
) -> Rendered:
    """Render a capture of a scene.

    Parameters
    ----------
    scene, head, plan, exposure, rng
        See `cast` and `expose`; `head` is what the head truly is.
    rays_per_pixel : int
        Odd; 9 by default.
    stated_head : Head, optional
        What the capture's calibration says instead; the true head where absent.
    captured_at : datetime
        With its zone.
    probe : str, optional
    progress : Progress, optional
    """
    hits = cast(scene, head, rays_per_pixel, progress)
    return render_hits(
        hits, plan, exposure, rng, stated_head=stated_head, captured_at=captured_at, probe=probe
    )


def render_hits(
    hits: Hits,
    plan: tuple[FringeSet, ...],
    exposure: Exposure,
    rng: np.random.Generator,
    *,
    stated_head: Head | None = None,
    captured_at: datetime = INVENTED_TIME,
    probe: str | None = None,
) -> Rendered:
    """Render another capture of what was cast once; see `render`."""
    exposed = expose(hits, hits.head, plan, exposure, rng)
    capture = Capture(
        captured_at=captured_at,
        head=stated_head or hits.head,
        sets=exposed.sets,
        photo=exposed.photo,
        probe=probe,
    )
    return Rendered(capture, hits.truth, exposed.light_dn)


def patch_pixels(scene: Scene, head: Head, patch: str | Patch, s: Array, t: Array) -> Array:
    """Pixels (N, 2) at which the camera sees points (s, t) of a patch, whether or not something hides them.

    Parameters
    ----------
    patch : str or Patch
        The patch or its name in the scene.
    s, t : (N,) arrays
    """
    sheet = _named(scene, patch) if isinstance(patch, str) else patch
    points = sheet.point(np.asarray(s, dtype=np.float64), np.asarray(t, dtype=np.float64))
    return np.column_stack(project(scene.to_camera(points), head))


def _named(scene: Scene, name: str) -> Patch:
    for patch in scene.patches:
        if patch.name == name:
            return patch
    known = ", ".join(patch.name for patch in scene.patches)
    raise ValueError(f"the scene has no patch named {name} (it has {known})")
