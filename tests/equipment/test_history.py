"""Control charts: their false alarms are as stated, and a drift is called out before it fails."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pytest
from verifications import NOW, verification

from fringewise.equipment.documents import VerificationDocument
from fringewise.equipment.history import FALSE_ALARM_ONCE_IN, RUN, charts_of, signals_of

SEED = 20261125


def on(day: int, error: float, at: datetime = NOW) -> VerificationDocument:
    feature = verification().features[0].model_copy(update={"error": error, "reading": 10 + error})
    moment = (at + timedelta(days=day)).isoformat()
    return verification(moment, features=[feature.model_dump()])


def test_false_alarms_come_as_often_as_stated() -> None:
    rng, points, alarms = np.random.default_rng(SEED), 0, 0
    for _ in range(300):
        values = rng.standard_normal(3000)
        found = signals_of(values, 0.0, -3.0, 3.0)
        points += found[0][0] + 1 if found else len(values)
        alarms += bool(found)
    # 152.7 points for these two rules with a run of eight: Champ and Woodall (1987), from memory
    assert points / alarms == pytest.approx(FALSE_ALARM_ONCE_IN, rel=0.15)


def test_a_point_beyond_the_limits_and_a_run_are_seen() -> None:
    assert signals_of(np.array([0.1, -0.2, 5.0]), 0.0, -3.0, 3.0) == [(2, "beyond the control limits")]
    run = signals_of(np.full(RUN, 0.5), 0.0, -3.0, 3.0)
    assert run == [(RUN - 1, f"{RUN} in a row on one side of the centre")]


def test_a_drift_is_called_out_before_it_fails() -> None:
    rng = np.random.default_rng(SEED)
    errors = 0.002 * np.arange(10) + 0.001 * rng.standard_normal(10)
    (chart,) = charts_of([on(n, float(error)) for n, error in enumerate(errors)], "HX-07")
    assert "drifts by +0.00" in chart.drift
    assert abs(errors[-1]) < chart.permissible_error
    assert "calibrate the head before" in chart.drift


def test_a_steady_head_has_no_drift() -> None:
    rng = np.random.default_rng(SEED)
    steady = [on(n, float(0.002 * rng.standard_normal())) for n in range(12)]
    (chart,) = charts_of([*steady, verification(head="HX-08")], "HX-07")
    assert chart.drift == ""
    assert len(chart.errors) == 12


def test_a_few_verifications_make_no_chart_yet() -> None:
    (chart,) = charts_of([on(n, 0.001 * n) for n in range(3)], "HX-07")
    assert np.isnan(chart.low)
    assert chart.signals == ()
