"""Heads of known truth calibrated over and over: the stated covariance is what the errors show.

A hundred from simulated corners and columns, ten from captures rendered in full; targets with a printer's
errors in both. Seeds were written down before the first run.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from target_trials import coarser, drawn_head, drawn_pose, errors_of, printed, simulated_view, whitened

from fringewise.calibrate.calibration import Calibration, ImageAndPattern, calibrate_views
from fringewise.calibrate.seeing import view_target
from fringewise.calibrate.start import Pattern
from fringewise.calibrate.target import Target
from fringewise.capture import Head
from fringewise.core.checks import Array
from fringewise.virtual import Exposure, render, standard_plan
from fringewise.virtual.boards import Waves, board_scene

SEED = 20261125
TARGET = Target(
    "T", "checkerboard", 11, 8, 1.5,
    pitch_uncertainty_mm=0.0003, corner_uncertainty_mm=0.002, flatness_mm=0.02,
)  # fmt: skip
VIEWS = 12
RENDERED_VIEWS = 7


def simulated(number: int, *, rows: bool) -> tuple[Calibration, Head]:
    """One head drawn, its target printed, seen in twelve poses, and calibrated."""
    rng = np.random.default_rng([SEED, number])
    head, places = drawn_head(rng, rows=rows), printed(TARGET, rng)
    views = []
    for n in range(VIEWS):
        pose = drawn_pose(TARGET, head, rng, (12.0, 30.0))
        views.append(simulated_view(f"view {n}", places, pose, head, rng, rows=rows))
    sizes = ImageAndPattern(960, 720, Pattern(1.0, 0.75 if rows else None))
    return calibrate_views(views, TARGET, sizes), head


def rendered(number: int) -> tuple[Calibration, Head]:
    """One head drawn, captures of its printed target rendered in full, found and calibrated."""
    rng = np.random.default_rng([SEED, 1, number])
    head = coarser(drawn_head(rng, rows=False), 2)
    flat = TARGET.points_mm()[:, :2]
    places = flat * (1 + 0.0002 * rng.standard_normal()) + 0.002 * rng.standard_normal(flat.shape)
    grid = places.reshape(TARGET.rows, TARGET.columns, 2)
    height = 0.01 / np.sqrt(3) * rng.standard_normal(6)
    bend = Waves(height, 0.4 * rng.standard_normal((6, 2)), rng.uniform(0, 2 * np.pi, 6))
    plan = standard_plan(3)
    views = []
    for n in range(RENDERED_VIEWS):
        pose = drawn_pose(TARGET, head, rng, (13.0, 30.0), share=1.0)
        scene = board_scene("checkerboard", grid, 1.5, bend, pose.rotation, pose.translation_mm)
        capture = render(scene, head, plan, Exposure(), rng, rays_per_pixel=5).capture
        views.append(view_target(capture, TARGET, f"view {n}"))
    return calibrate_views(views, TARGET, ImageAndPattern(480, 360, Pattern(1.0, None))), head


@cache
def hundred() -> tuple[tuple[Calibration, Head], ...]:
    """Sixty heads with columns alone, forty with rows as well."""
    return tuple(simulated(n, rows=n >= 60) for n in range(100))


def rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2)))


@pytest.mark.heavy
def test_a_hundred_calibrations_are_as_uncertain_as_they_state() -> None:
    pooled = np.concatenate([whitened(made.head, true) for made, true in hundred()])
    assert 0.95 <= rms(pooled) <= 1.05  # the band


@pytest.mark.heavy
def test_each_parameter_is_as_uncertain_as_stated() -> None:
    errors: dict[str, list[float]] = {}
    for made, true in hundred():
        assert made.head.covariance is not None
        sigma = np.sqrt(np.diag(made.head.covariance.matrix))
        for name, error in zip(
            made.head.covariance.parameters, errors_of(made.head, true) / sigma, strict=True
        ):
            errors.setdefault(name, []).append(float(error))
    found = {name: rms(np.array(values)) for name, values in errors.items()}
    assert len(found) == 24
    assert {name: value for name, value in found.items() if not 0.75 <= value <= 1.25} == {}


@pytest.mark.heavy
def test_ten_calibrations_from_rendered_captures_are_as_uncertain_as_they_state() -> None:
    pooled = np.concatenate([whitened(made.head, true) for made, true in map(rendered, range(10))])
    assert 0.88 <= rms(pooled) <= 1.12  # the band


def test_a_calibration_is_as_uncertain_as_it_states() -> None:
    made, true = simulated(1000, rows=False)
    assert rms(whitened(made.head, true)) <= 1.6


def test_columns_and_rows_calibrate_together() -> None:
    made, true = simulated(1001, rows=True)
    assert made.head.projector.height == 0.75
    assert rms(whitened(made.head, true)) <= 1.6
