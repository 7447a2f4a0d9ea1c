"""Captures that don't tell a head are refused, with what to add; outliers and turned boards are noticed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from small_captures import small_capture
from target_trials import Standing, drawn_head, drawn_pose, printed, simulated_view, whitened

from fringewise.calibrate.calibration import Calibration, ImageAndPattern, calibrate_views
from fringewise.calibrate.start import Pattern
from fringewise.calibrate.target import Target, shape_prior
from fringewise.calibrate.turns import turn_view
from fringewise.calibrate.views import TargetView
from fringewise.capture import Head
from fringewise.core.errors import InputRefused, NotMeasurable
from fringewise.workflow.calibrate import calibrate

SEED = 20261125
TARGET = Target(
    "T", "checkerboard", 9, 7, 1.5,
    pitch_uncertainty_mm=0.0003, corner_uncertainty_mm=0.004, flatness_mm=0.03,
)  # fmt: skip
SIZES = ImageAndPattern(960, 720, Pattern(1.0, None))


def looks(count: int, seed: int = 0) -> tuple[list[TargetView], Head]:
    rng = np.random.default_rng([SEED, 7, seed])
    head, places = drawn_head(rng, rows=False), printed(TARGET, rng)
    poses = [drawn_pose(TARGET, head, rng, (12.0, 28.0)) for _ in range(count)]
    return [
        simulated_view(f"look {n}", places, pose, head, rng, rows=False) for n, pose in enumerate(poses)
    ], head


def calibrated(views: list[TargetView]) -> Calibration:
    return calibrate_views(views, TARGET, SIZES)


def test_two_captures_are_too_few() -> None:
    with pytest.raises(NotMeasurable, match=r"2 captures of the target are too few.*8 to 12"):
        calibrated(looks(2)[0])


def test_a_target_that_always_faces_the_head_is_refused_with_what_to_do() -> None:
    rng = np.random.default_rng(SEED)
    head, places = drawn_head(rng, rows=False), printed(TARGET, rng)
    square = [Standing(np.eye(3), np.array([0.5 * n, 0.3 * n, 15.0 + 0.2 * n])) for n in range(4)]
    views = [
        simulated_view(f"look {n}", places, pose, head, rng, rows=False) for n, pose in enumerate(square)
    ]
    with pytest.raises(NotMeasurable, match=r"tilt"):
        calibrated(views)


def test_advice_names_what_would_tell_more() -> None:
    views, _ = looks(4)
    made = calibrated(views)
    assert all("add captures" in words for words in made.advice)


def test_outliers_are_left_out_and_counted() -> None:
    views, head = looks(8)
    pixels = views[2].pixels.copy()
    pixels[5] += 1.5
    pixels[20] -= [0.0, 2.0]
    views[2] = replace(views[2], pixels=pixels)
    made = calibrated(views)
    assert 3 <= int((~made.adjusted.kept).sum()) <= 12
    assert float(np.sqrt(np.mean(whitened(made.head, head) ** 2))) <= 1.7


def test_views_counted_from_the_other_end_are_turned_back() -> None:
    views, head = looks(6)
    unsure = [replace(view, sure_of_ends=False) for view in views]
    mixed = [turn_view(view, TARGET) if n in (1, 4) else view for n, view in enumerate(unsure)]
    made = calibrated(mixed)
    same = [set(view.points) == set(before.points) for view, before in zip(made.views, views, strict=True)]
    assert all(same) or not any(same)  # all the one way or all the other
    assert float(np.sqrt(np.mean(whitened(made.head, head) ** 2))) <= 1.7


def test_the_shape_that_is_held_scatters_as_the_certificate_states() -> None:
    prior = shape_prior(TARGET)
    variance = np.sum(prior.modes**2, axis=0) + prior.single_mm**2
    height = np.sqrt(np.mean(variance[:, 2]))
    # flatness / 2 = 0.015 mm with the single corners' 0.004, less the mean plane, which is the pose's
    assert 0.6 * 0.015 <= height <= 1.05 * 0.0155
    assert np.sqrt(prior.single_mm[0, 0] ** 2) == pytest.approx(0.004)


def test_captures_of_two_heads_are_refused() -> None:
    look = small_capture()
    assert look.head is not None
    other = replace(look, head=replace(look.head, serial="SMALL-2"))
    with pytest.raises((InputRefused, NotMeasurable), match=r"no grid|must be that of"):
        calibrate([("a", look), ("b", other)], TARGET)


def test_a_capture_without_the_target_is_named() -> None:
    with pytest.raises(NotMeasurable, match=r"look a: no grid of 9 × 7 inner corners"):
        calibrate([("look a", small_capture())], TARGET)
