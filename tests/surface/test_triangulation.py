"""From a phase map to a surface: what is carried through, and what is refused."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from surface_heads import columns_for, straight_head

from fringewise.capture import Capture, FringeFrames, FringeSet
from fringewise.core.errors import NotMeasurable
from fringewise.core.flags import Flag
from fringewise.phase.phase_map import Motion, PhaseMap
from fringewise.surface import triangulate


def wall_look() -> tuple[PhaseMap, Capture]:
    head = straight_head()
    z = np.full((head.camera.height, head.camera.width), 17.0)
    column = columns_for(head, z)
    flags = np.zeros(column.shape, np.uint16)
    column[:, 200:], flags[:, 200:] = np.nan, Flag.DARK
    even = np.full(column.shape, 50.0, np.float32)
    seen = PhaseMap(
        column=column,
        column_sigma=np.where(np.isnan(column), np.nan, 5e-5).astype(np.float32),
        modulation=even,
        mean=even,
        flags=flags,
        order_risk=np.zeros(column.shape, np.float32),
        motion=Motion(moved=False, drift_rad=0.0, words="still"),
        noise_source="head",
    )
    frames = np.zeros((3, *column.shape), np.uint8)
    fringes = FringeFrames(FringeSet(7, (0.0, 2.0, 4.0)), frames)
    return seen, Capture(datetime(2026, 3, 14, tzinfo=UTC), head, (fringes,), photo=frames[0])


def test_a_wall_is_where_it_stood() -> None:
    seen, capture = wall_look()
    surface = triangulate(seen, capture)
    assert np.abs(surface.xyz_mm[:, :200, 2] - 17).max() < 1e-4
    assert surface.usable[:, :199].all()
    assert not surface.usable[:, 200:].any()
    assert (surface.flags[:, 200:] == Flag.DARK | Flag.NO_SURFACE).all()
    # σ on the axis: z² / (fx b) · σ_c with fx = 0.72 and b = 2.6 mm
    assert surface.sigma_mm[91, 118] == pytest.approx(17**2 / (0.72 * 2.6) * 5e-5, rel=2e-3)


def test_what_the_look_knows_goes_through() -> None:
    seen, capture = wall_look()
    surface = triangulate(seen, capture)
    assert surface.photo is capture.photo
    assert surface.head is capture.head
    assert surface.motion is seen.motion
    assert surface.modulation is seen.modulation
    assert (surface.noise_source, surface.uncertainty_from) == ("head", "frames")


def test_a_look_without_a_head_is_not_measurable() -> None:
    seen, capture = wall_look()
    with pytest.raises(NotMeasurable, match="no head calibration"):
        triangulate(seen, Capture(capture.captured_at, photo=capture.photo))


def test_another_size_is_refused() -> None:
    seen, capture = wall_look()
    smaller = replace(
        seen,
        **{
            name: getattr(seen, name)[1:]
            for name in ("column", "column_sigma", "modulation", "mean", "flags", "order_risk")
        },
    )
    with pytest.raises(ValueError, match="size"):
        triangulate(smaller, capture)
