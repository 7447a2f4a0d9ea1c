"""From an archive to a report: numbers as recorded, pictures from the kept frames."""

from __future__ import annotations

import io
from datetime import UTC, datetime

import numpy as np
import pytest
from example_look import keep_example_look
from inspection_examples import CARD

from fringewise.archive.archive import SqlArchive
from fringewise.archive.database import open_database
from fringewise.archive.objects import FolderObjects
from fringewise.files.findings import read_findings
from fringewise.files.intake import capture_of, parcels_at
from fringewise.findings.finding import Finding, FindingResult
from fringewise.record.people import Rules
from fringewise.render.artist import ReportArtist
from fringewise.render.report_html import report_html
from fringewise.workflow.inspecting import attach, mark_and_measure
from fringewise.workflow.intake import Parcel, take_in
from fringewise.workflow.keeping import Desk, add_person, begin_inspection, required_look
from fringewise.workflow.reporting import MadeReport, make_report


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    folder = tmp_path_factory.mktemp("shop")
    archive = SqlArchive(open_database(folder / "archive.sqlite"), FolderObjects(folder / "objects"))
    made = Desk(
        archive, "A", lambda: datetime(2026, 3, 14, 9, tzinfo=UTC), Rules(),
        lambda sha256: capture_of(archive, sha256), {"fringewise": "0.1.0"},
    )  # fmt: skip
    add_person(made, "A", "technician A", ["technician", "administrator"])
    begin_inspection(made, "W-2041", CARD, invented=True)
    look = required_look(made.inspection("W-2041"), "compressor 3", "2", "pressure side")
    keep_example_look(folder)
    (parcel,) = parcels_at(folder / "blade-07")
    assert isinstance(parcel, Parcel)
    taken = take_in(made, parcel)
    attach(made, made.inspection("W-2041"), look, [taken])
    findings = read_findings(folder / "blade-07.json")
    mark_and_measure(made, made.inspection("W-2041"), taken.sha256, findings, look)
    return made


@pytest.fixture(scope="module")
def made(desk: Desk) -> MadeReport:
    return make_report(desk, "W-2041", ReportArtist())


def test_every_measured_finding_has_its_pictures_and_sizes(made: MadeReport) -> None:
    assert made.report.findings
    for one in made.report.findings:
        assert one.sizes
        assert one.figures
        assert all(made.figures[figure.key][:4] == b"\x89PNG" for figure in one.figures)
        assert all(one.identity in figure.alt for figure in one.figures)


def test_pictures_are_exported_under_engine_stage_item_finding_look_and_time(made: MadeReport) -> None:
    names = list(made.names.values())
    assert len(set(names)) == len(names) > 0
    for name in names:
        assert name.startswith("D-0007_compressor-3_2_")
        assert "_pressure-side_20260314T090000Z_" in name


def test_the_record_is_attached_whole(desk: Desk, made: MadeReport) -> None:
    entries = made.attached["entries"]
    assert [one["sha256"] for one in entries] == [one.sha256 for one in desk.archive.entries("W-2041")]


def test_numbers_are_those_on_record_not_those_of_the_drawing(desk: Desk, made: MadeReport) -> None:
    inspection = desk.inspection("W-2041")
    (body,) = inspection.current_results.values()
    stated = {one.id: one.quantities for one in body.document.findings}
    for one in made.report.findings:
        first = (stated[one.identity] or ())[0]
        assert one.sizes[0].value.startswith(f"{first.value:.2f}"[:4])
    assert report_html(made.report, made.figures, made.attached).count("data:image/png") >= len(
        made.report.findings
    )


def test_a_capture_that_is_lost_leaves_the_report_without_its_pictures(desk: Desk) -> None:
    from fringewise.core.errors import PlaceUnusable

    def lost(_sha256: str) -> object:
        raise PlaceUnusable("the frames are gone")

    broken = Desk(desk.archive, "A", desk.clock, desk.rules, lost, desk.versions)  # type: ignore[arg-type]
    again = make_report(broken, "W-2041", ReportArtist())
    assert all(one.sizes and not one.figures for one in again.report.findings)


def test_a_plain_photo_is_shown_with_its_marks(desk: Desk) -> None:
    import cv2

    photo = cv2.imencode(".png", np.full((60, 80), 90, np.uint8))[1].tobytes()
    sha256 = desk.archive.keep(io.BytesIO(photo))
    drawn = ReportArtist().photo(
        photo, _result(Finding("F9", "observation", {"outline_px": np.array([[10, 10], [40, 10], [20, 40]])}))
    )
    assert len(drawn) == 1
    assert "F9" in drawn[0].alt
    assert desk.archive.holds(sha256)
    assert ReportArtist().photo(b"no picture", _result(Finding("F9", "observation"))) == []


def _result(finding: Finding) -> FindingResult:
    return FindingResult(finding, reason="evidence")
