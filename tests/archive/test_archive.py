"""What is written down stays as it was written, on both databases."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import pytest
from inspection_examples import CARD, findings_body
from sqlalchemy import text

from fringewise.archive.archive import SqlArchive
from fringewise.archive.audit import audit
from fringewise.archive.backup import back_up, restore
from fringewise.archive.database import open_database
from fringewise.archive.objects import FolderObjects
from fringewise.archive.tables import ENTRY, FINDING, HEAD, INSPECTION
from fringewise.core.errors import ChangedMeanwhile, InputRefused, NotAllowed, PlaceUnusable
from fringewise.record.chain import Draft, breaks
from fringewise.workflow.keeping import Desk, begin_inspection, look_again, required_look
from fringewise.workflow.signing import submit

SHA = "5" * 64


def kept(desk: Desk, content: bytes = b"a manifest") -> str:
    return desk.archive.keep(io.BytesIO(content))


def begun(desk: Desk) -> None:
    begin_inspection(desk, "W-2041", CARD, invented=True)


def test_an_inspection_is_read_back_as_it_was_written(desk: Desk) -> None:
    begun(desk)
    inspection = desk.inspection("W-2041")
    look = required_look(inspection, "compressor 3", "2", "pressure side")
    sha256 = kept(desk)
    one = {"kind": "capture", "sha256": sha256, "name": "blade 2"}
    look_again(desk, inspection, look, "findings", evidence=[one])
    desk.write(Draft("W-2041", "findings", sha256, findings_body(sha256, "F1", "F2")))
    again = desk.inspection("W-2041")
    assert again.state_of(look) == "findings"
    assert [one.identity for one in again.all_findings] == ["F1", "F2"]
    assert {one.item for one in again.all_findings} == {"2"}
    assert len(again.left) == 7
    assert not list(breaks(list(desk.archive.all_entries())))  # type: ignore[attr-defined]


def test_lists_show_what_the_entries_say(desk: Desk, archive: SqlArchive) -> None:
    begun(desk)
    inspection = desk.inspection("W-2041")
    look = required_look(inspection, "compressor 3", "2", "pressure side")
    look_again(desk, inspection, look, "done, nothing found")
    (line,) = archive.inspections(engine="D-0007")
    assert (line.looks, line.looks_left, line.state, line.invented) == (8, 7, "open", True)
    assert archive.inspections(state="signed") == []
    with pytest.raises(InputRefused, match="must be one of"):
        archive.inspections(colour="red")


def test_a_correction_needs_its_reason_and_leaves_the_old_version(desk: Desk, archive: SqlArchive) -> None:
    begun(desk)
    sha256 = kept(desk)
    desk.write(Draft("W-2041", "findings", sha256, findings_body(sha256, "F1")))
    with pytest.raises(NotAllowed, match="a correction needs its reason"):
        desk.write(Draft("W-2041", "findings", sha256, findings_body(sha256, "F1", "F2")))
    desk.write(Draft("W-2041", "findings", sha256, findings_body(sha256, "F1", "F2"), "a second dent"))
    versions = [one for one in archive.entries("W-2041") if one.kind == "findings"]
    assert [(one.version, one.reason, one.author) for one in versions] == [
        (1, "", "A"),
        (2, "a second dent", "A"),
    ]


def test_who_began_from_an_old_version_is_told_and_nothing_is_lost(desk: Desk, archive: SqlArchive) -> None:
    begun(desk)
    inspection = desk.inspection("W-2041")
    look = required_look(inspection, "compressor 3", "2", "pressure side")
    look_again(desk, inspection, look, "done, nothing found", expected_version=0)
    with pytest.raises(ChangedMeanwhile, match="changed meanwhile by A"):
        look_again(desk, inspection, look, "could not be seen", reason="soot", expected_version=0)
    assert len(archive.entries("W-2041")) == 2


def test_all_drafts_are_written_or_none(desk: Desk, archive: SqlArchive) -> None:
    begun(desk)
    good = Draft("W-2041", "doubt", "1", {"words": "the head was dropped"})
    bad = Draft("W-2041", "signature", "B", {})
    with pytest.raises(InputRefused):
        desk.write(good, bad)
    barred = Draft("W-2041", "person", "D", {"name": "D", "roles": ["reviewer"]})
    with pytest.raises(NotAllowed, match="has not the role"):
        desk.write(good, barred)
    assert len(archive.entries("W-2041")) == 1


def test_a_technician_cannot_sign_and_nobody_unknown_writes(desk: Desk) -> None:
    begun(desk)
    submit(desk, "W-2041", incomplete=True)
    body = {
        "record_sha256": SHA, "signer": "A", "public_key": "ab" * 32, "signature": "cd" * 64,
        "incomplete": True,
    }  # fmt: skip
    with pytest.raises(NotAllowed, match="technician A has not the role"):
        desk.write(Draft("W-2041", "signature", "A", body))
    with pytest.raises(NotAllowed, match="Z is not known here"):
        replace(desk, author="Z").write(Draft("W-2041", "doubt", "1", {"words": "?"}))


def test_an_incomplete_inspection_is_submitted_only_as_such(desk: Desk) -> None:
    begun(desk)
    with pytest.raises(NotAllowed, match="8 looks are missing"):
        submit(desk, "W-2041")
    submit(desk, "W-2041", incomplete=True)
    assert desk.inspection("W-2041").state == "submitted"


def test_a_changed_row_is_found(desk: Desk, archive: SqlArchive) -> None:
    begun(desk)
    desk.write(Draft("W-2041", "doubt", "1", {"words": "the head was dropped"}))
    assert audit(archive).clean
    before = rows_of(archive)
    for change in (
        "UPDATE entry SET body = replace(body, 'dropped', 'fine') WHERE kind = 'doubt'",
        "UPDATE entry SET author = 'B' WHERE kind = 'doubt'",
        "UPDATE entry SET at = '2026-03-14T09:00:00.000000+00:00' WHERE kind = 'doubt'",
        "DELETE FROM entry WHERE kind = 'doubt'",
        "DELETE FROM entry WHERE kind = 'inspection'",
        "UPDATE inspection SET outcome = 'serviceable'",
        "UPDATE head SET sequence = 2",
        "INSERT INTO finding VALUES ('W-2041', 'x', 'F9', 'dent', '', '', '', '', '', '', '')",
    ):
        with archive.engine.connect() as connection, connection.begin():
            connection.execute(text(change))
        assert audit(archive).faults, change
        put_back(archive, before)
        assert audit(archive).clean


def rows_of(archive: SqlArchive) -> dict[str, list[dict[str, object]]]:
    with archive.engine.connect() as connection:
        return {
            table.name: [dict(row) for row in connection.execute(table.select()).mappings()]
            for table in (ENTRY, HEAD, INSPECTION, FINDING)
        }


def put_back(archive: SqlArchive, rows: dict[str, list[dict[str, object]]]) -> None:
    with archive.engine.connect() as connection, connection.begin():
        for table in (ENTRY, HEAD, INSPECTION, FINDING):
            connection.execute(table.delete())
            if rows[table.name]:
                connection.execute(table.insert(), rows[table.name])


def test_a_flipped_byte_in_a_file_is_found(desk: Desk, archive: SqlArchive) -> None:
    begun(desk)
    sha256 = kept(desk, b"twelve frames")
    assert audit(archive).clean
    assert isinstance(archive.objects, FolderObjects)
    path = archive.objects.path(sha256)
    path.write_bytes(b"twelve frameS")
    assert audit(archive).faults == (f"the file {sha256} was changed after it was kept",)
    path.unlink()
    assert audit(archive).faults == (f"the file {sha256} is missing",)


def test_a_backup_restores_the_same_archive(desk: Desk, archive: SqlArchive, tmp_path: Path) -> None:
    begun(desk)
    kept(desk, b"frames")
    back_up(archive, tmp_path / "backup")
    other = SqlArchive(open_database(f"sqlite:///{tmp_path / 'other.sqlite'}"), FolderObjects(tmp_path / "o"))
    assert restore(other, tmp_path / "backup") == 4
    assert list(other.all_entries()) == list(archive.all_entries())
    assert other.inspections() == archive.inspections()
    assert audit(other).clean
    assert audit(other).head == audit(archive).head
    with pytest.raises(PlaceUnusable, match="holds entries already"):
        restore(other, tmp_path / "backup")
    other.close()


def test_a_spoilt_backup_is_refused(desk: Desk, archive: SqlArchive, tmp_path: Path) -> None:
    begun(desk)
    back_up(archive, tmp_path / "backup")
    entries = tmp_path / "backup" / "entries.jsonl"
    entries.write_text(entries.read_text().replace("W-2041", "W-2042"))
    empty = SqlArchive(open_database(f"sqlite:///{tmp_path / 'other.sqlite'}"), FolderObjects(tmp_path / "o"))
    with pytest.raises(InputRefused, match="was changed after it was written"):
        restore(empty, tmp_path / "backup")
    empty.close()
