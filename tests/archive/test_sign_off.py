"""Who may submit, sign and read again; what a signature covers; doubts that come up later."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from inspection_examples import CARD, findings_body

from fringewise.archive.archive import SqlArchive
from fringewise.archive.audit import audit
from fringewise.core.errors import InputRefused, NotAllowed, PlaceUnusable
from fringewise.files.keys import new_key, read_key, write_key
from fringewise.record.chain import ARCHIVE, Draft
from fringewise.record.keys import PersonKey
from fringewise.record.people import Rules
from fringewise.workflow.keeping import Desk, add_person, begin_inspection, look_again, required_look
from fringewise.workflow.signing import (
    add_doubt,
    faults_of_signature,
    record_verification,
    review_of,
    sign,
    submit,
)

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
KEY = new_key("reviewer B", NOW)
OTHER = new_key("reviewer B", NOW)


def with_key(desk: Desk, person: str = "B", key: PersonKey = KEY) -> None:
    office = replace(desk, author="C")
    known = desk.archive.person(person)
    assert known is not None
    public = {"public_key": key.public_key, "certificate": key.certificate_pem}
    add_person(office, person, known.name, sorted(known.roles), reason="keys", **public)


def done(desk: Desk, name: str = "W-2041", capture: str = "") -> None:
    """An inspection with everything looked at and one finding."""
    begin_inspection(desk, name, CARD, invented=True)
    for look in desk.inspection(name).required:
        look_again(desk, desk.inspection(name), look, "done, nothing found")
    sha256 = capture or desk.archive.keep(io.BytesIO(name.encode()))
    desk.write(Draft(name, "findings", sha256, findings_body(sha256, "F1")))


def test_a_reviewer_signs_and_the_inspection_is_sealed(desk: Desk, archive: SqlArchive) -> None:
    with_key(desk)
    done(desk)
    submit(desk, "W-2041")
    reviewer = replace(desk, author="B")
    sign(reviewer, reviewer.inspection("W-2041"), KEY, statement="read and checked")
    inspection = desk.inspection("W-2041")
    assert inspection.state == "signed"
    assert faults_of_signature(desk, inspection) == ()
    assert audit(archive).clean
    look = required_look(inspection, "compressor 3", "2", "pressure side")
    with pytest.raises(NotAllowed, match="signed and sealed"):
        look_again(desk, inspection, look, "to do")
    with pytest.raises(NotAllowed, match="signed and sealed"):
        submit(desk, "W-2041")
    add_doubt(desk, "W-2041", "the head fell on the way home")
    doubted = desk.inspection("W-2041")
    assert [one.words for one in doubted.doubts.values()] == ["the head fell on the way home"]
    assert (doubted.state, doubted.sealed_sha256) == ("signed", inspection.sealed_sha256)
    assert "the head fell on the way home" in review_of(desk, doubted).said


def test_a_technician_does_not_sign(desk: Desk) -> None:
    with_key(desk, "A")
    done(desk)
    submit(desk, "W-2041")
    with pytest.raises(NotAllowed, match="technician A has not the role for this \\(reviewer needed\\)"):
        sign(desk, desk.inspection("W-2041"), KEY)


@pytest.mark.parametrize("two_people", [True, False])
def test_who_measured_signs_only_where_one_person_is_enough(desk: Desk, two_people: bool) -> None:
    office = replace(desk, author="C")
    add_person(office, "D", "D", ["technician", "reviewer"], public_key=KEY.public_key)
    both = replace(desk, author="D", rules=Rules(two_people=two_people))
    done(both)
    submit(both, "W-2041")
    if two_people:
        with pytest.raises(NotAllowed, match="D measured here: somebody else signs"):
            sign(both, both.inspection("W-2041"), KEY)
    else:
        sign(both, both.inspection("W-2041"), KEY)
        assert both.inspection("W-2041").state == "signed"


def test_an_authorisation_that_ran_out_is_said(desk: Desk) -> None:
    with_key(desk)
    done(desk)
    submit(desk, "W-2041")
    office = replace(desk, author="C")
    add_person(
        office, "B", "reviewer B", ["reviewer"], reason="a date", valid_until="2026-03-13",
        public_key=KEY.public_key,
    )  # fmt: skip
    reviewer = replace(desk, author="B")
    with pytest.raises(NotAllowed, match="the authorisation of reviewer B ran out on 2026-03-13"):
        sign(reviewer, reviewer.inspection("W-2041"), KEY)


def test_work_after_an_authorisation_ran_out_is_kept_and_said(desk: Desk) -> None:
    office = replace(desk, author="C")
    add_person(office, "A", "technician A", ["technician"], reason="a date", valid_until="2026-03-13")
    done(desk)
    line, waiting = review_of(desk, desk.inspection("W-2041")).said
    assert waiting.endswith("are not measured yet")
    assert line == ("the authorisation of technician A ran out on 2026-03-13; they worked here on 2026-03-14")
    with pytest.raises(NotAllowed, match="ran out on 2026-03-13"):
        submit(desk, "W-2041")
    person = desk.archive.person("A")
    assert person is not None
    assert person.valid_until == date(2026, 3, 13)


def test_another_key_and_a_record_that_changed_are_refused(desk: Desk) -> None:
    with_key(desk)
    done(desk)
    submit(desk, "W-2041")
    reviewer = replace(desk, author="B")
    looked_at = reviewer.inspection("W-2041")
    with pytest.raises(NotAllowed, match="is not made with the key of reviewer B"):
        sign(reviewer, looked_at, OTHER)
    look_again(desk, looked_at, required_look(looked_at, "compressor 3", "2", "pressure side"), "to do")
    with pytest.raises(NotAllowed, match="only a submitted inspection can be signed"):
        sign(reviewer, looked_at, KEY)
    submit(desk, "W-2041", incomplete=True)
    with pytest.raises(NotAllowed, match="the record has changed since it was looked at"):
        sign(reviewer, looked_at, KEY)
    with pytest.raises(NotAllowed, match="1 looks are missing: it can only be signed as incomplete"):
        sign(reviewer, reviewer.inspection("W-2041"), KEY)
    sign(reviewer, reviewer.inspection("W-2041"), KEY, incomplete=True)


def test_a_signature_that_does_not_hold_is_refused_and_found(desk: Desk, archive: SqlArchive) -> None:
    with_key(desk)
    done(desk)
    submit(desk, "W-2041")
    reviewer = replace(desk, author="B")

    class Forged:
        public_key = KEY.public_key

        def sign(self, inspection: str, body: Any) -> str:
            return OTHER.sign(inspection, body)

    with pytest.raises(NotAllowed, match="the signature does not hold"):
        sign(reviewer, reviewer.inspection("W-2041"), Forged())
    sign(reviewer, reviewer.inspection("W-2041"), KEY)
    change = "UPDATE entry SET body = replace(body, 'false', 'true') WHERE kind = 'signature'"
    with archive.engine.connect() as connection, connection.begin():
        connection.exec_driver_sql(change)
    faults = audit(archive).faults
    assert any("the signature of entry" in one and "does not hold" in one for one in faults)


def test_an_old_signature_stays_good_when_the_key_is_new(desk: Desk, archive: SqlArchive) -> None:
    with_key(desk)
    done(desk)
    submit(desk, "W-2041")
    reviewer = replace(desk, author="B")
    sign(reviewer, reviewer.inspection("W-2041"), KEY)
    with_key(desk, "B", OTHER)
    assert faults_of_signature(desk, desk.inspection("W-2041")) == ()
    assert audit(archive).clean


def test_nobody_reads_their_own_marks_again(desk: Desk) -> None:
    done(desk)
    capture = next(iter(desk.inspection("W-2041").findings))
    marks = findings_body(capture, "S1")["document"]
    results = {"format": "fringewise.results/1", "program": "x", "capture": {}, "findings": []}
    body = {
        "sha256": capture,
        "blind": True,
        "findings": marks,
        "seed": 1,
        "versions": {},
        "document": results,
    }
    with pytest.raises(NotAllowed, match="technician A marked this capture first"):
        desk.write(Draft("W-2041", "second reading", "x", body))
    replace(desk, author="B").write(Draft("W-2041", "second reading", "x", body))


def verification(done_at: str, outcome: str) -> dict[str, object]:
    return {
        "format": "fringewise.verification/1", "head": "HX-07", "head_sha256": "a" * 64, "block": "B-12",
        "done_at": done_at, "occasion": "end of work", "by": "technician A", "features": [],
        "outcome": outcome,
    }  # fmt: skip


def taken(desk: Desk, at: str) -> str:
    sha256 = desk.archive.keep(io.BytesIO(at.encode()))
    body = {
        "kind": "capture", "sha256": sha256, "name": at, "files": 1, "captured_at": at, "head": "HX-07",
        "measurable": True,
    }  # fmt: skip
    desk.write(Draft(ARCHIVE, "intake", sha256, body))
    return sha256


def test_a_failed_verification_doubts_everything_since_the_last_good_one(desk: Desk) -> None:
    with_key(desk)
    before, between = taken(desk, "2026-03-12T10:00:00Z"), taken(desk, "2026-03-13T10:00:00Z")
    after = taken(desk, "2026-03-14T23:00:00Z")
    for name, capture in (("W-1", before), ("W-2", between), ("W-3", after)):
        done(desk, name, capture)
    submit(desk, "W-2")
    reviewer = replace(desk, author="B")
    sign(reviewer, reviewer.inspection("W-2"), KEY)
    good = verification("2026-03-12T20:00:00Z", "not able to verify")
    good["head"] = "ANOTHER"
    record_verification(desk, good)
    passed = verification("2026-03-12T18:00:00Z", "passed")
    passed["features"] = [
        {
            "finding": "L1", "quantity": "straight", "unit": "mm", "reading": 5.0, "error": 0.0, "e_n": 0.0,
            "expanded_uncertainty": 0.01, "test_value_uncertainty": 0.006, "permissible_error": 0.05,
            "passed": True,
        }
    ]  # fmt: skip
    assert record_verification(desk, passed)[1] == ()
    _, doubted = record_verification(desk, verification("2026-03-14T08:00:00Z", "failed"))
    assert doubted == ("W-2",)
    (doubt,) = desk.inspection("W-2").doubts.values()
    assert "since the last that passed, on 2026-03-12 18:00" in doubt.words
    assert doubt.touches == (
        "engine D-0007, inspection W-2: not decided, signed",
        "F1 dent, compressor 3 / 2 / pressure side: not decided",
    )
    assert desk.inspection("W-2").state == "signed"


def test_keys_are_locked_in_their_file(tmp_path: Path) -> None:
    path = tmp_path / "keys" / "b.pem"
    with pytest.raises(InputRefused, match="must have 8 letters or more"):
        write_key(KEY, path, "short")
    write_key(KEY, path, "a long passphrase")
    assert b"PRIVATE KEY" in path.read_bytes()
    assert b"ENCRYPTED" in path.read_bytes()
    again = read_key(path, "a long passphrase")
    assert (again.public_key, again.certificate_pem) == (KEY.public_key, KEY.certificate_pem)
    assert again.sign("W-1", {"record_sha256": "ab"}) == KEY.sign("W-1", {"record_sha256": "ab"})
    with pytest.raises(InputRefused, match="the passphrase must be the one that it was made with"):
        read_key(path, "another passphrase")
    with pytest.raises(PlaceUnusable, match="is there already and is not replaced"):
        write_key(OTHER, path, "a long passphrase")
    path.write_bytes(b"nothing")
    with pytest.raises(InputRefused, match="must be a person's keys"):
        read_key(path, "a long passphrase")
