"""The calibration's part of an uncertainty: against heads drawn from their covariance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analytic_looks import DentedBall, pixels_of, small_head, surface_of

from fringewise.capture import CalibrationCovariance, FringeSet, Head
from fringewise.capture.head import moved_by
from fringewise.core.checks import Array
from fringewise.findings.combine import Touch, calibration_variance, ripple_variance
from fringewise.findings.finding import Finding
from fringewise.findings.kind import look_at
from fringewise.findings.registry import measure_finding
from fringewise.surface.jacobian import points_at
from fringewise.surface.surface import Surface

SEED = 20261125
PARAMETERS = (
    "camera.fx",
    "camera.cx",
    "projector.fx",
    "projector.translation_mm.0",
    "projector.rotation_vector.1",
)
SCALES = np.array([0.3, 0.2, 0.0005, 0.002, 0.0002])


def covariance(*, full: bool) -> CalibrationCovariance:
    correlation = np.full((5, 5), 0.6) + 0.4 * np.eye(5) if full else np.eye(5)
    return CalibrationCovariance(PARAMETERS, correlation * np.outer(SCALES, SCALES))


def calibrated(*, full: bool) -> Head:
    return replace(small_head(), covariance=covariance(full=full))


def plain(head: Head) -> Surface:
    return surface_of(DentedBall(depth_mm=1e-9), head, 0.01, np.random.default_rng(SEED))


def ends() -> Array:
    part = DentedBall(depth_mm=1e-9)
    return np.array([part.on_part(1.6, 0.3), part.on_part(1.6, 0.3 + np.pi)])


def between(both: Array) -> Touch:
    """Where the straight distance between two points is taken."""
    direction = (both[1] - both[0]) / np.linalg.norm(both[1] - both[0])
    return Touch.at(both, np.vstack([-direction, direction]), decoded=False)


@pytest.mark.parametrize("full", [False, True])
def test_calibration_part_is_the_spread_over_drawn_heads(full: bool) -> None:
    head, both = calibrated(full=full), ends()
    direction = (both[1] - both[0]) / np.linalg.norm(both[1] - both[0])
    stated = calibration_variance(
        plain(head), Touch.at(both, np.vstack([-direction, direction]), decoded=False)
    )
    pixels = pixels_of(head, both)
    columns, _ = head.projector.column_row(both)
    rng = np.random.default_rng(SEED)
    assert head.covariance is not None
    draws = rng.multivariate_normal(np.zeros(5), head.covariance.matrix, 1500)
    lengths = []
    for draw in draws:
        drawn = moved_by(head, dict(zip(PARAMETERS, draw, strict=True)))
        first, second = points_at(drawn, pixels, columns)
        lengths.append(np.linalg.norm(second - first))
    assert stated is not None
    assert np.sqrt(stated) == pytest.approx(np.std(lengths), rel=0.08)


def test_cross_terms_count() -> None:
    both = ends()
    touch = between(both)
    full = calibration_variance(plain(calibrated(full=True)), touch)
    diagonal = calibration_variance(plain(calibrated(full=False)), touch)
    assert full is not None
    assert diagonal is not None
    assert abs(np.sqrt(full) - np.sqrt(diagonal)) > 0.1 * np.sqrt(diagonal)


def test_a_baseline_error_scales_every_length() -> None:
    # all translation off by one part in a thousand makes every length off by the same
    shift = 0.0026
    head = replace(
        small_head(),
        covariance=CalibrationCovariance(("projector.translation_mm.0",), np.array([[shift**2]])),
    )
    both = ends()
    length = float(np.linalg.norm(both[1] - both[0]))
    direction = (both[1] - both[0]) / length
    found = calibration_variance(
        plain(head), Touch.at(both, np.vstack([-direction, direction]), decoded=False)
    )
    assert found is not None
    assert np.sqrt(found) == pytest.approx(length * shift / 2.6, rel=1e-6)


def test_a_covariance_gives_a_calibration_line_and_nothing_is_left_out() -> None:
    head = calibrated(full=True)
    finding = Finding("L1", "distance", {"ends_px": pixels_of(head, ends())})
    one = measure_finding(look_at(plain(head)), finding).quantity("straight")
    assert one.part("calibration") > 0
    assert one.not_included == ()


def test_ripple_of_a_single_point_is_its_phase_error_in_depth() -> None:
    fringes = FringeSet(49, (0.0, np.pi / 2, np.pi, 1.5 * np.pi))
    head = replace(small_head(), phase_ripple_rad=0.01)
    surface = replace(plain(head), finest_set=fringes)
    point = np.array([[0.5, 0.2, 15.0]])
    found = ripple_variance(surface, Touch.at(point, np.array([[0.0, 0.0, 1.0]]), decoded=True))
    # dz/dc = z² / (fx b) at c from x; a phase error r is c = r / (2π f)
    by_column = 15.0**2 / (0.72 * 2.6)
    assert np.sqrt(found) == pytest.approx(0.01 * by_column / (2 * np.pi * 49), rel=1e-3)
    assert ripple_variance(surface, Touch.at(point, np.array([[0.0, 0.0, 1.0]]), decoded=False)) == 0


def test_a_surface_made_elsewhere_keeps_its_sources_word() -> None:
    head = small_head()
    surface = replace(plain(head), uncertainty_from="its source", noise_source="stated")
    finding = Finding("L1", "distance", {"ends_px": pixels_of(head, ends())})
    result = measure_finding(look_at(surface), finding)
    one = result.quantity("straight")
    assert one.part("stated by source") > 0
    assert one.part("frame noise") == 0
    assert "uncertainty as stated by its source" in result.warnings
