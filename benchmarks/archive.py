"""How long listing, filtering and opening take as an archive on SQLite grows; all records are made up.

    python benchmarks/archive.py [--most 100000]

Writes ``benchmarks/archive.json``. An inspection has 20 captures with 10 findings each, three sizes a
finding. Opening is timed with nothing read before, as a new process finds it.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import platform
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import insert, update

from fringewise.archive.archive import Page, SqlArchive, row_of, show
from fringewise.archive.database import open_database, writing
from fringewise.archive.objects import FolderObjects
from fringewise.archive.tables import ENTRY, HEAD, OBJECT
from fringewise.record import inspection as inspections
from fringewise.record.chain import ARCHIVE, FIRST, Draft, Entry, sealed
from fringewise.record.inspection import inspection_of

CAPTURES, FINDINGS = 20, 10
KINDS = ("dent", "edge_nick", "crack", "gouge", "hole")
BEGUN = datetime(2026, 1, 1, tzinfo=UTC)
REPEATS = 7


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--most", type=int, default=100_000)
    most = parser.parse_args().most
    rows = [measured(size) for size in (1000, 10_000, 100_000) if size <= most]
    for row in rows:
        print(row)
    text = {"machine": f"{platform.processor() or platform.machine()}, SQLite", "rows": rows}
    Path(__file__).with_suffix(".json").write_text(json.dumps(text, indent=1) + "\n")


def measured(findings: int) -> dict[str, Any]:
    """Fill an archive and time the questions that lists and pages ask."""
    with tempfile.TemporaryDirectory() as folder:
        archive = filled(Path(folder), findings)
        middle = f"W-{findings // (CAPTURES * FINDINGS) // 2:05d}"
        questions: dict[str, Callable[[], object]] = {
            "inspections, first page": archive.inspections,
            "inspections of an engine": lambda: archive.inspections(engine="D-0007"),
            "inspections open": lambda: archive.inspections(state="open"),
            "findings, first page": archive.findings,
            "findings of a kind": lambda: archive.findings(kind="crack"),
            "findings of an outcome": lambda: archive.findings(outcome=""),
            "findings of an inspection": lambda: archive.findings(inspection=middle),
            "findings of a blade": lambda: archive.findings(stage="compressor 3", item="7"),
            "findings of a damage": lambda: archive.findings(damage="N-17"),
            "findings, deep page": lambda: archive.findings(Page(50, findings - 60)),
            "open an inspection": lambda: opened(archive, middle),
        }
        row: dict[str, Any] = {"findings": findings, "captures": findings // FINDINGS}
        row |= {name: round(1000 * seconds(ask), 2) for name, ask in questions.items()}
        archive.close()
    return row


def opened(archive: SqlArchive, name: str) -> object:
    """Open an inspection as a process does that has read nothing before."""
    archive._known.clear()  # noqa: SLF001 - what a new process has not read
    inspections._CHECKED.clear()  # noqa: SLF001
    return inspection_of(archive.entries(name)).all_findings


def seconds(ask: Callable[[], object]) -> float:
    times = []
    for _ in range(REPEATS):
        started = time.perf_counter()
        ask()
        times.append(time.perf_counter() - started)
    return statistics.median(times)


def filled(folder: Path, findings: int) -> SqlArchive:
    """Write made-up inspections, straight into the tables, as a chain that holds."""
    archive = SqlArchive(open_database(folder / "archive.sqlite"), FolderObjects(folder / "objects"))
    sequence, previous = 0, FIRST
    for number in range(findings // (CAPTURES * FINDINGS)):
        made: list[Entry] = []
        for draft in drafts(number):
            sequence += 1
            at = BEGUN + timedelta(minutes=sequence)
            entry = sealed(draft, sequence=sequence, version=1, author="A", at=at, previous=previous)
            previous = entry.sha256
            made.append(entry)
            if draft.kind == "findings":
                later = results(number, entry)
                sequence += 1
                entry = sealed(later, sequence=sequence, version=1, author="A", at=at, previous=previous)
                previous = entry.sha256
                made.append(entry)
        with writing(archive.engine) as connection:
            connection.execute(insert(ENTRY), [row_of(one) for one in made])
            connection.execute(update(HEAD).values(sequence=sequence, sha256=previous))
            kept = [one.subject for one in made if one.kind == "intake"]
            connection.execute(insert(OBJECT), [{"sha256": one, "bytes": 1} for one in kept])
            name = f"W-{number:05d}"
            show(connection, name, [one for one in made if one.inspection == name])
    return archive


def drafts(number: int) -> Iterator[Draft]:
    name = f"W-{number:05d}"
    looks = [{"name": "pressure side"}]
    stage = {"name": "compressor 3", "part": "blade", "items": CAPTURES, "item": "blade", "looks": looks}
    engine = {"serial": f"D-{number % 40:04d}", "type": "invented"}
    card = {"format": "fringewise.workcard/1", "order": name, "engine": engine, "stage": [stage]}
    yield Draft(name, "inspection", name, {"card": card, "technician": "A", "invented": True})
    for item in range(1, CAPTURES + 1):
        sha256 = hashlib.sha256(f"{number} {item}".encode()).hexdigest()
        taken = {"kind": "capture", "sha256": sha256, "name": f"blade-{item}"}
        yield Draft(ARCHIVE, "intake", sha256, {**taken, "files": 14, "head": "HX-07", "measurable": True})
        look = f"compressor 3 / {item} / pressure side"
        seen = {"stage": "compressor 3", "item": str(item), "look": "pressure side", "state": "findings"}
        yield Draft(name, "look", look, {**seen, "evidence": [taken]})
        marks = [finding(number, item, n) for n in range(FINDINGS)]
        document = {"format": "fringewise.findings/1", "findings": marks}
        yield Draft(name, "findings", sha256, {"sha256": sha256, "look": look, "document": document})


def finding(number: int, item: int, n: int) -> dict[str, Any]:
    """Marks of one made-up finding."""
    kind = KINDS[n % len(KINDS)]
    u, v = 100 + 30 * n, 200.5
    names = {"edge_nick": "edge_px", "crack": "path_px", "gouge": "path_px"}
    points = [[u, v], [u + 20, v + 3]] if kind in names else [[u, v], [u + 20, v], [u + 9, v + 20]]
    damage = {"damage": f"N-{(number + n) % 5000}"} if n == 0 else {}
    said = {"stage": "compressor 3", "item": str(item), "zone": "leading edge"}
    return {"id": f"F{item}-{n}", "kind": kind, **said, **damage, names.get(kind, "outline_px"): points}


def results(number: int, marks: Entry) -> Draft:
    """Results of made-up sizes for the marks of an entry."""
    found = []
    for one in marks.body["document"]["findings"]:
        sizes = [size(name, 0.1 + 0.01 * (number % 9)) for name in ("depth", "length", "width")]
        found.append({"id": one["id"], "kind": one["kind"], "status": "measured", "quantities": sizes})
    capture = {"sha256": marks.subject, "head": "HX-07", "valid_fraction": 0.7, "standoff_mm": 17.9}
    document = {"format": "fringewise.results/1", "program": "x", "capture": capture, "findings": found}
    body = {"sha256": marks.subject, "findings_entry": marks.sha256, "seed": 1, "versions": {"numpy": "2"}}
    return Draft(marks.inspection, "results", marks.subject, {**body, "document": document})


def size(name: str, value: float) -> dict[str, Any]:
    budget = [{"source": source, "standard_uncertainty": 0.002} for source in ("frame noise", "marks")]
    u = 0.002 * 2**0.5
    return {
        "name": name, "unit": "mm", "value": value, "standard_uncertainty": u, "coverage_factor": 2.0,
        "expanded_uncertainty": 2 * u, "interval_95": [value - 2 * u, value + 2 * u], "budget": budget,
        "not_included": [], "bound": "both",
    }  # fmt: skip


if __name__ == "__main__":
    main()
