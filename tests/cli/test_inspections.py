"""An inspection by commands alone: begun, marked, submitted, signed, rechecked, audited, backed up."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from command import Done, run_command
from small_captures import small_capture

from fringewise.files import write_capture

CARD = """
format = "fringewise.workcard/1"
order = "W-2041"
engine = {serial = "D-0007", type = "invented small gas turbine", hours = 8120, cycles = 2210}
limits = "limits.toml"

[[stage]]
name = "compressor 3"
part = "compressor 3 blade"
items = 3
item = "blade"
looks = [{name = "pressure side", port = "P4"}]
"""
LIMITS = """
format = "fringewise.limits/1"
title = "Invented limits"
source = "Invented manual, revision 1"
entered_by = "A"
checked_by = "B"

[[rule]]
id = "DISTANCE"
part = "compressor 3 blade"
zone = "any"
kind = "distance"
quantity = "straight"
unit = "mm"
serviceable_up_to = 100.0
source = "table 1"
"""
Run = Callable[..., Done]


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """Run commands on an archive of the test's own."""

    def inner(*arguments: str, person: str = "technician") -> Done:
        return run_command(
            *arguments,
            FRINGEWISE_ARCHIVE=str(tmp_path / "archive"),
            FRINGEWISE_PERSON=person,
            FRINGEWISE_PASSPHRASE="a long passphrase",
        )

    return inner


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A card, a limits book, a capture and what was marked on it."""
    (tmp_path / "card.toml").write_text(CARD)
    (tmp_path / "limits.toml").write_text(LIMITS)
    write_capture(small_capture(), tmp_path / "blade-2")
    found = [{"id": "L1", "kind": "distance", "ends_px": [[15.0, 12.0], [48.0, 36.0]]}]
    marks = {"format": "fringewise.findings/1", "findings": found}
    (tmp_path / "marks.json").write_text(json.dumps(marks))
    return tmp_path


def ok(done: Done, *words: str) -> Done:
    assert done.status == 0, done.err + done.out
    for word in words:
        assert word in done.out, done.out
    return done


def test_an_inspection_by_commands_alone(run: Run, place: Path) -> None:
    begun = ok(run("inspection", "new", str(place / "card.toml"), "--invented"), "3 looks are to do")
    assert "technician is its technician and administrator" in begun.err
    look = "compressor 3 / 2 / pressure side"
    ok(
        run(
            "mark", "W-2041", str(place / "blade-2"), "--findings", str(place / "marks.json"), "--look", look
        ),
        "straight",
    )
    ok(run("inspection", "look", "W-2041", "compressor 3 / 1 / *", "--nothing-found"), "1 are left")
    refused = run("submit", "W-2041")
    assert (refused.status, refused.err) == (
        2, "1 looks are missing: it can only be submitted as incomplete\n",
    )  # fmt: skip
    ok(
        run("inspection", "look", "W-2041", "compressor 3/3/pressure side", "--not-seen", "soot"),
        "0 are left",
    )
    ok(
        run("submit", "W-2041", "--incomplete"),
        "Not seen: compressor 3 / 3 / pressure side: could not be seen",
    )
    ok(run("person", "add", "B", "--name", "reviewer B", "--role", "reviewer", "--scope", "blades"))
    key = str(place / "keys" / "b.pem")
    ok(run("person", "new-key", "B", "--key", key), "the public ones are on record")
    ok(run("person", "list"), "has keys", "scope: blades")
    barred = run("sign", "W-2041", "--incomplete", "--key", key)
    assert barred.status == 2
    assert "technician has not the role for this (reviewer needed)" in barred.err
    ok(run("sign", "W-2041", "--incomplete", "--key", key, person="B"), "Signed by reviewer B, scope: blades")
    sealed = run("inspection", "look", "W-2041", look, "--to-do")
    assert "signed and sealed" in sealed.err
    ok(run("doubt", "W-2041", "the head fell"))
    ok(run("recheck", "W-2041", "--processes", "1"), "numbers compared, all agree")
    shown = ok(run("inspection", "show", "W-2041"), "W-2041, signed", "DOUBT       the head fell", "soot").out
    assert "invented" in shown
    ok(run("inspection", "show", "W-2041", "--history"), "signature B version 1")
    ok(run("inspection", "list", "--state", "signed"), "W-2041")
    clean = ok(run("audit"), "nothing is wrong")
    head = clean.out.strip().rsplit(" ", 1)[1]
    ok(run("audit", "--head", head))
    assert "is not in the chain" in run("audit", "--head", "0" * 64).out
    ok(run("backup", str(place / "backup")))
    other = str(place / "other")
    ok(run_command("restore", str(place / "backup"), FRINGEWISE_ARCHIVE=other))
    assert ok(run_command("audit", FRINGEWISE_ARCHIVE=other)).out == clean.out


def test_a_watched_folder_is_taken_once_captures_are_complete(run: Run, place: Path) -> None:
    drop = place / "drop"
    (drop / "half" / "frames").mkdir(parents=True)
    (drop / "half" / "head.json").write_text("{}")
    write_capture(small_capture(), drop / "whole")
    ok(run("watch", str(drop), "--once"), "whole")
    again = ok(run("watch", str(drop), "--once"))
    assert "was here already" in again.out
    (drop / "half" / "capture.json").write_text("{}")
    assert "half: not taken" in run("watch", str(drop), "--once").err


def test_what_is_added_twice_or_unsound_is_said(run: Run, place: Path) -> None:
    ok(run("add", str(place / "blade-2"), str(place / "limits.toml")), "capture", "Invented limits")
    assert "(was here already)" in ok(run("add", str(place / "blade-2"))).out
    assert run("add", str(place / "card.json")).status == 2
    (place / "blade-2" / "frames" / "set0_0.png").write_bytes(b"")
    bad = run("add", str(place))
    assert bad.status == 1
    assert "not taken" in bad.err


def test_a_finding_id_that_is_taken_is_refused_with_a_free_one(run: Run, place: Path) -> None:
    ok(run("inspection", "new", str(place / "card.toml")))
    marks = ("--findings", str(place / "marks.json"), "--look")
    ok(run("mark", "W-2041", str(place / "blade-2"), *marks, "compressor 3 / 2 / pressure side"))
    write_capture(small_capture(18.0), place / "blade-3")
    third = ("compressor 3 / 3 / pressure side",)
    refused = run("mark", "W-2041", str(place / "blade-3"), *marks, *third)
    assert refused.status == 2
    assert "L2 is free" in refused.err
    ok(run("mark", "W-2041", str(place / "blade-3"), *marks, *third, "--renumber"), "L2  distance")


def test_the_examples_here_are_whole_documents() -> None:
    assert tomllib.loads(CARD)["order"] == "W-2041"
    assert tomllib.loads(LIMITS)["title"] == "Invented limits"
