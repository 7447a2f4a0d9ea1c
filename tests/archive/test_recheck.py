"""Stored numbers are computed again from the frames in the archive, and what differs is said."""

from __future__ import annotations

import copy
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from inspection_examples import CARD
from small_captures import small_capture

from fringewise.archive.archive import SqlArchive
from fringewise.archive.database import open_database
from fringewise.archive.objects import FolderObjects
from fringewise.capture.capture import Capture
from fringewise.files import write_capture
from fringewise.files.intake import capture_of, parcels_at
from fringewise.findings.finding import Finding
from fringewise.record.chain import Draft
from fringewise.record.people import Rules
from fringewise.wiring import versions
from fringewise.workflow.inspecting import mark_and_measure, measure_waiting
from fringewise.workflow.intake import Parcel, take_in
from fringewise.workflow.keeping import Desk, add_person, begin_inspection, required_look
from fringewise.workflow.rechecking import Job, Outcome, changed_versions, recheck, recheck_capture
from fringewise.workflow.signing import all_disagreements, read_again

ENDS = np.array([[15.0, 12.0], [48.0, 36.0]])


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    """An inspection with one capture and a distance on it, read again by somebody else."""
    folder = tmp_path_factory.mktemp("recheck")
    archive = SqlArchive(open_database(folder / "archive.sqlite"), FolderObjects(folder / "objects"))

    def read(sha256: str) -> Capture:
        return capture_of(archive, sha256)

    office = Desk(archive, "C", Watch(), Rules())
    add_person(office, "C", "administrator C", ["administrator"])
    add_person(office, "A", "technician A", ["technician"])
    add_person(office, "B", "reviewer B", ["reviewer"])
    desk = Desk(archive, "A", Watch(), Rules(), read, versions())
    write_capture(small_capture(), folder / "look")
    begin_inspection(desk, "W-1", CARD)
    (parcel,) = parcels_at(folder / "look")
    assert isinstance(parcel, Parcel)
    taken = take_in(desk, parcel)
    look = required_look(desk.inspection("W-1"), "compressor 3", "2", "pressure side")
    made = mark_and_measure(
        desk, desk.inspection("W-1"), taken.sha256, [Finding("L1", "distance", {"ends_px": ENDS})], look
    )
    assert made.outcomes[0].status == "measured", made.outcomes[0].reason
    second = Finding("S1", "distance", {"ends_px": ENDS + 0.2})
    _, apart = read_again(replace(desk, author="B"), desk.inspection("W-1"), taken.sha256, [second])
    assert apart == ()
    yield desk
    archive.close()


class Watch:
    def __call__(self) -> datetime:
        return datetime(2026, 3, 14, 12, tzinfo=UTC)


def in_this_process(desk: Desk, jobs: Sequence[Job]) -> list[Outcome]:
    return [recheck_capture(desk.read, job) for job in jobs]


def test_what_was_measured_is_measured_again(measured: Desk) -> None:
    (found,) = recheck(measured, ["W-1"], lambda jobs: in_this_process(measured, jobs))
    assert found.differ == ()
    assert found.compared == 20  # two readings, two quantities each, five numbers of each
    assert found.entry.kind == "recheck"
    assert found.entry.body["outcome"] == "all agree"
    assert changed_versions(found.versions_then, measured.versions) == []


def test_a_second_reading_far_away_disagrees(measured: Desk) -> None:
    far = Finding("S2", "distance", {"ends_px": ENDS + np.array([[0.0, 0.0], [9.0, 0.0]])})
    inspection = measured.inspection("W-1")
    capture = next(iter(inspection.findings))
    before = len(all_disagreements(inspection))
    _, apart = read_again(replace(measured, author="B"), inspection, capture, [far], blind=False)
    assert {one.first for one in apart} == {"L1"}
    assert len(all_disagreements(measured.inspection("W-1"))) == before + len(apart)


def test_marks_without_results_are_measured_after_a_break(measured: Desk) -> None:
    inspection = measured.inspection("W-1")
    capture = next(iter(inspection.findings))
    body = copy.deepcopy(dict(inspection.latest["findings", capture].body))
    body["document"]["findings"][0]["note"] = "killed after this was written"
    measured.write(Draft("W-1", "findings", capture, body, "a note"))
    broken_off = measured.inspection("W-1")
    assert [one.status for one in broken_off.all_findings] == [""]
    assert len(measure_waiting(measured, broken_off)) == 1
    whole = measured.inspection("W-1")
    assert [one.status for one in whole.all_findings] == ["measured"]
    assert measure_waiting(measured, whole) == []
    assert len(measure_waiting(measured, whole, reason="a newer program")) == 1
    assert measured.inspection("W-1").latest["results", capture].reason == "a newer program"


def test_a_number_that_the_frames_do_not_give_is_named(measured: Desk) -> None:
    inspection = measured.inspection("W-1")
    capture = next(iter(inspection.findings))
    entry = inspection.latest["results", capture]
    body = copy.deepcopy(dict(entry.body))
    body["document"]["findings"][0]["quantities"][0]["value"] += 0.01
    body["versions"] = {**body["versions"], "numpy": "0.1"}
    measured.write(Draft("W-1", "results", capture, body, "made up"))
    (found,) = recheck(measured, ["W-1"], lambda jobs: in_this_process(measured, jobs))
    (line,) = found.differ
    assert "L1: straight, value: " in line
    assert f"entry {entry.sequence}" not in line
    assert "numpy: 0.1 then" in changed_versions(found.versions_then, measured.versions)[0]
    assert found.entry.body["outcome"] == "some differ"


def test_frames_that_are_lost_are_named(measured: Desk, tmp_path: Path) -> None:
    empty = FolderObjects(tmp_path)
    (found,) = recheck(
        measured,
        ["W-1"],
        lambda jobs: [recheck_capture(lambda name: capture_of(empty, name), job) for job in jobs],
    )
    assert found.entry.body["outcome"] == "could not be done"
    assert "is not in" in found.differ[0]
