"""Run as a program of its own: forks writers that work on an archive until they are killed.

Reads lines of JSON on standard input, each asking for one writer: task, url, objects, look, and after_s
(seconds after it says that it is ready; null: it does ``times`` operations and ends). Answers on standard
output with what the writer acknowledged, which goes through a pipe: what is in it outlives the writer.
"""

from __future__ import annotations

import json
import os
import select
import signal
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from fringewise.archive.archive import SqlArchive
from fringewise.archive.database import open_database
from fringewise.archive.objects import FolderObjects
from fringewise.files.intake import capture_of, parcels_at
from fringewise.files.keys import read_key
from fringewise.findings.finding import Finding
from fringewise.record.chain import Draft
from fringewise.record.people import Rules
from fringewise.workflow.inspecting import mark_and_measure
from fringewise.workflow.intake import Parcel, take_in
from fringewise.workflow.keeping import Desk, begin_inspection, required_look
from fringewise.workflow.rechecking import recheck, recheck_capture
from fringewise.workflow.signing import sign, submit

assert sys.platform != "win32", "writers are forked"

PASSPHRASE = "a passphrase for tests"
ENDS = np.array([[15.0, 12.0], [48.0, 36.0]])
Acknowledge = Callable[[dict[str, str]], None]


def desk_at(url: str, objects: str, author: str = "A") -> Desk:
    archive = SqlArchive(open_database(url), FolderObjects(Path(objects)))
    return Desk(
        archive,
        author,
        lambda: datetime.now(UTC),
        Rules(),
        lambda sha256: capture_of(archive, sha256),
        {"fringewise": "test"},
    )


def operations(task: str, desk: Desk, look: Path, acknowledge: Acknowledge) -> Iterator[None]:
    """Do the operations of a task, one after the other; each step says what it acknowledged."""
    number = 0
    while True:
        number += 1
        unique = f"{os.getpid()}-{number}-{time.time_ns()}"
        TASKS[task](desk, look, unique, acknowledge)
        yield


def intake(desk: Desk, look: Path, unique: str, acknowledge: Acknowledge) -> None:
    document = json.loads((look / "capture.json").read_text())
    whole = look / f".{unique}"
    whole.write_text(json.dumps(document | {"note": unique}))
    whole.replace(look / "capture.json")  # a kill must not spoil what is taken in next
    (parcel,) = parcels_at(look)
    assert isinstance(parcel, Parcel)
    acknowledge({"capture": take_in(desk, parcel).sha256})


def correction(desk: Desk, _look: Path, unique: str, acknowledge: Acknowledge) -> None:
    inspection = desk.inspection("W-1")
    capture = next(iter(inspection.findings))
    document = inspection.latest["findings", capture].body["document"]
    changed = {**document, "findings": [{**one, "note": unique} for one in document["findings"]]}
    body = {**inspection.latest["findings", capture].body, "document": changed}
    made = desk.write(
        Draft("W-1", "findings", capture, body, f"correction {unique}"),
        Draft("W-1", "doubt", unique, {"words": unique}),
    )
    for entry in made:
        acknowledge({"entry": entry.sha256})


def sign_off(desk: Desk, look: Path, unique: str, acknowledge: Acknowledge) -> None:
    card = desk.inspection("W-1").entries[0].body["card"]
    acknowledge({"entry": begin_inspection(desk, unique, card).entries[0].sha256})
    acknowledge({"entry": submit(desk, unique, incomplete=True).sha256})
    reviewer = replace(desk, author="B")
    key = read_key(look.parent / "b.pem", PASSPHRASE)
    signed = sign(reviewer, reviewer.inspection(unique), key, incomplete=True)
    acknowledge({"entry": signed.sha256})


def recheck_once(desk: Desk, _look: Path, _unique: str, acknowledge: Acknowledge) -> None:
    (found,) = recheck(desk, ["W-1"], lambda jobs: [recheck_capture(desk.read, one) for one in jobs])
    assert found.differ == ()
    acknowledge({"entry": found.entry.sha256})


TASKS: dict[str, Callable[[Desk, Path, str, Acknowledge], None]] = {
    "intake": intake,
    "correction": correction,
    "sign-off": sign_off,
    "recheck": recheck_once,
}


def prepare(desk: Desk, look: Path) -> None:
    """An inspection W-1 with a capture and a distance measured on it."""
    card: dict[str, Any] = json.loads((look.parent / "card.json").read_text())
    begin_inspection(desk, "W-1", card)
    (parcel,) = parcels_at(look)
    assert isinstance(parcel, Parcel)
    taken = take_in(desk, parcel)
    where = required_look(desk.inspection("W-1"), "compressor 3", "2", "pressure side")
    finding = Finding("L1", "distance", {"ends_px": ENDS})
    mark_and_measure(desk, desk.inspection("W-1"), taken.sha256, [finding], where)


def write_until_killed(asked: dict[str, Any], pipe: int) -> None:
    """What a forked writer does; it never returns to the program."""

    def acknowledge(said: dict[str, str]) -> None:
        os.write(pipe, (json.dumps(said) + "\n").encode())

    try:
        desk, look = desk_at(asked["url"], asked["objects"]), Path(asked["look"])
        if asked["task"] == "prepare":
            prepare(desk, look)
            os._exit(0)
        if asked["task"] == "recheck":
            for job_capture in desk.inspection("W-1").findings:
                desk.read(job_capture)
            recheck_once(desk, look, "", lambda _said: None)  # the kernels are loaded from here on
        acknowledge({"ready": str(time.monotonic())})
        for number, _ in enumerate(operations(asked["task"], desk, look, acknowledge), 1):
            acknowledge({"done": str(time.monotonic())})
            if asked["after_s"] is None and number == asked.get("times", 1):
                os._exit(0)
    except BaseException as error:  # noqa: BLE001 - all of it is told
        acknowledge({"error": f"{type(error).__name__}: {error}"})
    os._exit(1)


def fork_writer(asked: dict[str, Any]) -> dict[str, Any]:
    """Fork a writer, kill it at its moment, and give what it acknowledged."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        write_until_killed(asked, writing)
    os.close(writing)
    text, started = b"", None
    while True:
        wait = 60.0 if started is None else max(0.0, started + asked["after_s"] - time.monotonic())
        ready, _, _ = select.select([reading], [], [], wait)
        if not ready:
            break
        chunk = os.read(reading, 65536)
        if not chunk:
            break
        text += chunk
        if b'"ready"' in text and started is None and asked["after_s"] is not None:
            started = time.monotonic()
    alive = os.waitpid(child, os.WNOHANG) == (0, 0)
    if alive:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
    while chunk := os.read(reading, 65536):
        text += chunk
    os.close(reading)
    lines = text.split(b"\n")[:-1]  # a line that was cut off was never said
    return {"killed": alive, "said": [json.loads(line) for line in lines]}


def main() -> None:
    """Answer every line of standard input."""
    for line in sys.stdin:
        sys.stdout.write(json.dumps(fork_writer(json.loads(line))) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
