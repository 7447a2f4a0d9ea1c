"""Measuring as a use case: from a capture that was written and read back."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from example_look import keep_example_look

import fringewise
from fringewise.core.errors import InputRefused
from fringewise.findings.finding import Finding
from fringewise.workflow.measure import Measurement


@pytest.fixture(scope="module")
def look(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("look")
    keep_example_look(folder)
    return folder


@pytest.fixture(scope="module")
def made(look: Path) -> Measurement:
    capture = fringewise.read_capture(look / "blade-07")
    return fringewise.measure(capture, fringewise.read_findings(look / "blade-07.json"))


def test_a_rendered_look_is_measured_from_its_files(made: Measurement) -> None:
    assert made.results[0].status == "measured"
    assert made.summary.head == "VIRTUAL-1"
    assert made.summary.standoff_mm == pytest.approx(12.0, abs=1.5)
    assert len(made.summary.sha256) == 64


def test_numbers_of_a_finding_do_not_hang_on_its_neighbours_or_the_time(
    look: Path, made: Measurement
) -> None:
    findings = fringewise.read_findings(look / "blade-07.json")
    other = replace(findings[0], identity="F9")
    again = fringewise.measure(made.surface, [*findings, other])
    first, repeated = made.results[0].quantities, again.results[0].quantities
    assert [one.value for one in first] == [one.value for one in repeated]
    assert [one.budget for one in first] == [one.budget for one in repeated]


def test_every_mark_off_the_photo_is_named_at_once(made: Measurement) -> None:
    marks = np.array([[10.0, 10.0], [480.0, 10.0], [-0.6, 20.0], [12.0, 400.0]])
    with pytest.raises(InputRefused) as refused:
        fringewise.measure(made.surface, [Finding("A", "area", {"outline_px": marks})], where="marks.json")
    fields = [one.field for one in refused.value.problems]
    assert fields == [f"findings[0].outline_px[{n}]" for n in (1, 2, 3)]
    assert "480 × 360" in str(refused.value)


def test_standoff_is_where_the_findings_are(made: Measurement) -> None:
    depth = made.surface.xyz_mm[..., 2]
    v, u = np.unravel_index(np.nanargmax(np.where(made.surface.usable, depth, np.nan)), depth.shape)
    marks = np.array([[float(u), float(v)]])
    far = fringewise.measure(made.surface, [Finding("X", "observation", {"outline_px": marks})])
    assert far.summary.standoff_mm is not None
    assert far.summary.standoff_mm > float(np.median(depth[made.surface.usable]))
