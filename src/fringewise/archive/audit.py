"""Finding what was changed from outside: in the chain, in the lists made from it, in the files beside it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Final

from sqlalchemy import ColumnElement, Connection, func, select

from fringewise.archive.archive import SqlArchive, entry_of
from fringewise.archive.database import reading
from fringewise.archive.objects import Objects, hash_of
from fringewise.archive.tables import ENTRY, FINDING, HEAD, INSPECTION, OBJECT
from fringewise.core.errors import FringewiseError
from fringewise.core.progress import Progress, Silent, steps
from fringewise.record.chain import ARCHIVE, Entry, breaks, stamp
from fringewise.record.evidence import named_objects
from fringewise.record.inspection import inspection_of
from fringewise.record.manifest import manifest_files
from fringewise.record.overview import overview
from fringewise.record.signatures import signature_faults

_SILENT: Final = Silent()
_BATCH: Final = 1000
_MOST_MANIFEST_BYTES: Final = 8 << 20


@dataclass(frozen=True, slots=True)
class Audit:
    """What an audit went through, and every line of what it found wrong."""

    entries: int
    objects: int
    faults: tuple[str, ...]
    head: str

    @property
    def clean(self) -> bool:
        """Whether nothing is wrong."""
        return not self.faults


def audit(archive: SqlArchive, progress: Progress = _SILENT) -> Audit:
    """Go through the whole archive: chain, lists, and the content of every file.

    A chain whose last entries were cut off, head and all, can't be told from a younger archive by itself:
    compare `Audit.head` with one that was noted elsewhere (a report and a backup state it).
    """
    with reading(archive.engine) as connection:
        count = int(connection.execute(select(func.count()).select_from(ENTRY)).scalar() or 0)
        faults = list(_chain_faults(connection, count, progress))
        faults += _list_faults(connection)
        faults += _database_faults(connection)
        known = {row.sha256: int(row.bytes) for row in connection.execute(select(OBJECT))}
        faults += [
            f"entry {n} names the file {sha256}, which is not on record"
            for n, sha256 in _named(connection)
            if sha256 not in known
        ]
        faults += _manifest_faults(connection, archive.objects, known)
        head = str(connection.execute(select(HEAD.c.sha256)).scalar())
    for sha256, size in steps(sorted(known.items()), "files", progress, len(known)):
        faults += _object_faults(archive.objects, sha256, size)
    return Audit(count, len(known), tuple(faults), head)


def follows(archive: SqlArchive, head: str) -> bool:
    """Whether an entry of this hash is in the chain, so that nothing up to it was cut off."""
    with reading(archive.engine) as connection:
        return connection.execute(select(ENTRY.c.sequence).where(ENTRY.c.sha256 == head)).first() is not None


def _database_faults(connection: Connection) -> Iterator[str]:
    """What SQLite finds wrong with its own file; PostgreSQL has no such question to ask."""
    if connection.dialect.name == "sqlite":
        for line in connection.exec_driver_sql("PRAGMA integrity_check(20)").scalars():
            if line != "ok":
                yield f"the database's file is damaged: {' '.join(str(line).split())}"


def _manifest_faults(connection: Connection, objects: Objects, known: Mapping[str, int]) -> Iterator[str]:
    """Every file that a capture's manifest names must be on record."""
    for row in _rows(connection):
        if isinstance(row, int) or row.kind != "intake" or row.body.get("kind") != "capture":
            continue
        sha256 = str(row.body["sha256"])
        try:
            with objects.open(sha256) as stream:
                files = manifest_files(stream.read(_MOST_MANIFEST_BYTES).decode())
        except (FringewiseError, OSError, ValueError):
            continue  # missing or changed: said once, as a file
        missing = [path for path, content in files.items() if content not in known]
        yield from (f"the capture {sha256} names the file {path}, which is not on record" for path in missing)


def _rows(connection: Connection, wanted: ColumnElement[bool] | None = None) -> Iterator[Entry | int]:
    """Entries in order; the number of one that can't be read."""
    query = select(ENTRY).order_by(ENTRY.c.sequence)
    query = query if wanted is None else query.where(wanted)
    for row in connection.execution_options(yield_per=_BATCH).execute(query).mappings():
        try:
            yield entry_of(row)
        except (ValueError, TypeError):
            yield int(row["sequence"])


def _chain_faults(connection: Connection, count: int, progress: Progress) -> Iterator[str]:
    entries: list[Entry] = []
    for row in steps(_rows(connection), "entries", progress, count):
        if isinstance(row, int):
            yield f"entry {row} can't be read: it was changed after it was written"
        else:
            entries.append(row)
    yield from (one.words for one in breaks(entries))
    head = connection.execute(select(HEAD)).one()
    last = (entries[-1].sequence, entries[-1].sha256) if entries else (0, "0" * 64)
    if (int(head.sequence), str(head.sha256)) != last:
        yield f"the chain ends at entry {last[0]}, but {head.sequence} were written"


def _list_faults(connection: Connection) -> Iterator[str]:
    """What the lists show must be what the entries say."""
    shown = {row["identity"]: dict(row) for row in connection.execute(select(INSPECTION)).mappings()}
    findings: dict[str, list[dict[str, object]]] = {}
    for row in connection.execute(select(FINDING)).mappings():
        findings.setdefault(row["inspection"], []).append(dict(row))
    query = select(ENTRY.c.inspection).where(ENTRY.c.inspection != ARCHIVE).distinct()
    names = {str(name) for name in connection.execute(query).scalars()}
    yield from (f"inspection {name} is listed, but has no entries" for name in sorted(set(shown) - names))
    people = [row for row in _rows(connection, ENTRY.c.kind == "person") if not isinstance(row, int)]
    for name in sorted(names):
        try:
            entries = _entries_of(connection, name)
            inspection = inspection_of(entries)
            line = asdict(overview(inspection, (stamp(entries[0].at), stamp(entries[-1].at))))
            rows = [{"inspection": name, **asdict(one)} for one in inspection.all_findings]
        except (FringewiseError, ValueError, KeyError, TypeError):
            yield f"inspection {name} can't be made from its entries"
            continue
        yield from signature_faults(entries, people)
        if shown.get(name) != line:
            yield f"the list shows inspection {name} otherwise than its entries say"
        if _sorted(findings.get(name, [])) != _sorted(rows):
            yield f"the list shows the findings of inspection {name} otherwise than its entries say"


def _entries_of(connection: Connection, name: str) -> list[Entry]:
    wanted = select(ENTRY).where(ENTRY.c.inspection == name).order_by(ENTRY.c.sequence)
    return [entry_of(row) for row in connection.execute(wanted).mappings()]


def _sorted(rows: list[dict[str, object]]) -> list[dict[str, object]]:
    return sorted(rows, key=lambda row: (str(row["capture"]), str(row["identity"])))


def _named(connection: Connection) -> Iterator[tuple[int, str]]:
    for row in _rows(connection):
        if not isinstance(row, int):
            yield from ((row.sequence, sha256) for sha256 in named_objects(row))


def _object_faults(objects: Objects, sha256: str, size: int) -> Iterator[str]:
    try:
        with objects.open(sha256) as stream:
            found, count = hash_of(stream)
    except (FringewiseError, OSError):
        yield f"the file {sha256} is missing"
        return
    if found != sha256 or count != size:
        yield f"the file {sha256} was changed after it was kept"
