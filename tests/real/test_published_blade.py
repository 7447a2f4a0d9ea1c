"""Trials on a blade of published coordinates: NASA Rotor 37 (Reid and Moore 1978, NASA TP-1337, table IV)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fringewise.virtual.published import section_points_mm, sheet_through
from fringewise.workflow.trials import judge, judge_pooled, run_trials

SEED = 37
LOOKS = 8


@pytest.mark.heavy
def test_dents_and_distances_on_a_published_blade_are_honest(shared_data: Path) -> None:
    rows = np.genfromtxt(shared_data / "rotor37.csv", delimiter=",", names=True)
    sections = len(np.unique(rows["surface"]))
    z, r, one, two = (
        rows[name].reshape(sections, -1) for name in ("z_cm", "r_cm", "theta1_rad", "theta2_rad")
    )
    sheet = sheet_through(section_points_mm(z, r, one), section_points_mm(z, r, two))
    cases = run_trials(LOOKS, SEED, ("distance", "dent", "dent"), blade=(sheet, sheet.outline))
    pooled, dents = judge_pooled(cases), judge(cases, "dent", "depth")
    assert pooled.count >= 2 * LOOKS
    assert dents.median_error <= 0.003
    # some 99 % of an honest program's tries with 20 cases: 16 covered, RMS 0.6-1.45
    assert pooled.coverage >= 0.8
    assert 0.6 <= pooled.rms_normalised <= 1.45
