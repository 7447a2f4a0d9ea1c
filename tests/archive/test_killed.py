"""A writer that is killed at any moment loses nothing that it acknowledged and leaves nothing half-written.

Two hundred kills in all: four kinds of work on two databases, 25 moments each, spread evenly over three
operations' time. Acknowledgements go through a pipe to another process before the kill.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from inspection_examples import CARD
from small_captures import TAKEN, small_capture

from fringewise.archive.archive import SqlArchive
from fringewise.archive.audit import audit
from fringewise.archive.database import open_database
from fringewise.archive.objects import FolderObjects
from fringewise.files import write_capture
from fringewise.files.intake import capture_of
from fringewise.files.keys import new_key, write_key
from fringewise.record.people import Rules
from fringewise.workflow.keeping import Desk, add_person

KILLS = 25
SEED = 20260314
PASSPHRASE = "a passphrase for tests"

pytestmark = pytest.mark.skipif(
    sys.platform == "win32", reason="writers are forked, so that many can be killed"
)


class Writers:
    """The program that forks writers; asked line by line."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def ask(self, **asked: object) -> dict[str, Any]:
        self.send(**asked)
        return self.answer()

    def send(self, **asked: object) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(asked) + "\n")
        self._process.stdin.flush()

    def answer(self) -> dict[str, Any]:
        assert self._process.stdout is not None
        answer: dict[str, Any] = json.loads(self._process.stdout.readline())
        errors = [one["error"] for one in answer["said"] if "error" in one]
        assert errors == []
        return answer


@pytest.fixture(scope="module")
def writers() -> Iterator[Writers]:
    program = Path(__file__).with_name("killed_writer.py")
    with subprocess.Popen(
        [sys.executable, str(program)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        yield Writers(process)
        assert process.stdin is not None
        process.stdin.close()
        process.wait(timeout=20)


@pytest.fixture
def look(tmp_path: Path) -> Path:
    """A capture, a card and a reviewer's key for the writers."""
    write_capture(small_capture(), tmp_path / "look")
    (tmp_path / "card.json").write_text(json.dumps(CARD))
    return tmp_path / "look"


@pytest.mark.heavy
def test_two_who_write_at_once_lose_nothing(
    writers: Writers, database_url: str, tmp_path: Path, look: Path
) -> None:
    """Both take in, correct the same marks and sign; every acknowledgement of both is on record."""
    archive = shop(database_url, tmp_path)
    asked = {"url": database_url, "objects": str(tmp_path / "objects"), "after_s": None, "times": 12}
    writers.ask(**asked, look=str(look), task="prepare")
    other = tmp_path / "other" / "look"
    shutil.copytree(tmp_path / "look", other)
    for name in ("card.json", "b.pem"):
        shutil.copy(tmp_path / name, other.parent / name)
    program = Path(__file__).with_name("killed_writer.py")
    for first, second in (("correction", "correction"), ("intake", "sign-off")):
        with subprocess.Popen(
            [sys.executable, str(program)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        ) as process:
            beside = Writers(process)
            beside.send(**asked, look=str(other), task=first)
            one = writers.ask(**asked, look=str(look), task=second)
            said = [*one["said"], *beside.answer()["said"]]
            assert process.stdin is not None
            process.stdin.close()
        acknowledged = check(archive, said)
        assert len(acknowledged) == {"correction": 48, "intake": 48}[first]
    archive.close()


@pytest.mark.heavy
def test_a_full_disk_loses_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    program = Path(__file__).with_name("full_disk.py")
    disk = tmp_path / "disk"
    disk.mkdir()
    script = 'mount -t tmpfs -o size=1m tmpfs "$1" && exec "$2" "$3" "$1"'
    environment = os.environ | {"PYTHONPATH": str(program.parent.parent)}
    command = ["unshare", "-m", "sh", "-c", script, "sh", str(disk), sys.executable, str(program)]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False, env=environment)
    except OSError:
        pytest.skip("no small disk can be made here: there is no unshare")
    if "unshare" in done.stderr or "mount:" in done.stderr:
        pytest.skip(f"no small disk can be made here: {done.stderr.strip()[:100]}")
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("full after")


@pytest.mark.heavy
@pytest.mark.parametrize("task", ["intake", "correction", "sign-off", "recheck"])
def test_a_killed_writer_loses_nothing_that_it_acknowledged(
    writers: Writers, database_url: str, tmp_path: Path, look: Path, task: str
) -> None:
    archive = shop(database_url, tmp_path)
    asked = {"url": database_url, "objects": str(tmp_path / "objects"), "look": str(look)}
    writers.ask(**asked, task="prepare", after_s=None)
    span_s = time_of_three(writers, asked, task)
    rng = np.random.default_rng(SEED)
    killed, acknowledged = 0, 0
    for at in rng.permutation((np.arange(KILLS) + rng.random(KILLS)) / KILLS):
        answer = writers.ask(**asked, task=task, after_s=span_s * at)
        killed += answer["killed"]
        acknowledged += len(check(archive, answer["said"]))
    assert killed == KILLS
    assert acknowledged >= KILLS / 2, "most writers should have ended something before they were killed"
    archive.close()


def shop(url: str, folder: Path) -> SqlArchive:
    """An archive that knows technician A, reviewer B with a key in the folder, and administrator C."""
    archive = SqlArchive(open_database(url), FolderObjects(folder / "objects"))
    key = new_key("reviewer B", TAKEN)
    write_key(key, folder / "b.pem", PASSPHRASE)
    office = Desk(archive, "C", lambda: TAKEN, Rules())
    add_person(office, "C", "administrator C", ["administrator"])
    add_person(office, "A", "technician A", ["technician"])
    add_person(office, "B", "reviewer B", ["reviewer"], public_key=key.public_key)
    return archive


def time_of_three(writers: Writers, asked: dict[str, str], task: str) -> float:
    """Time of three operations of a writer that is left alone, from when it is ready."""
    said = writers.ask(**asked, task=task, after_s=None, times=3)["said"]
    (ready,) = [float(one["ready"]) for one in said if "ready" in one]
    return max(float(one["done"]) for one in said if "done" in one) - ready


def check(archive: SqlArchive, said: list[dict[str, str]]) -> list[str]:
    """Everything acknowledged is there and whole, and the archive is clean; gives what was acknowledged."""
    captures = [one["capture"] for one in said if "capture" in one]
    entries = [one["entry"] for one in said if "entry" in one]
    there = {entry.sha256 for entry in archive.all_entries()}
    assert set(entries) <= there
    taken = {entry.subject for entry in archive.about("intake")}
    assert set(captures) <= taken
    for sha256 in captures:
        assert capture_of(archive, sha256).sha256 == sha256
    found = audit(archive)
    assert found.faults == ()
    return captures + entries
