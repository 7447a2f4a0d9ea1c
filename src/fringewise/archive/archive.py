"""The archive: entries in a chain of hashes in a database, files by their content beside it."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import BinaryIO, Final

from sqlalchemy import (
    ColumnElement,
    Connection,
    Engine,
    Row,
    Select,
    Table,
    delete,
    func,
    insert,
    select,
    update,
)
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine import RowMapping

from fringewise.archive.database import reading, writing
from fringewise.archive.objects import Objects
from fringewise.archive.schema import bring_up
from fringewise.archive.tables import ENTRY, FINDING, HEAD, INSPECTION, OBJECT
from fringewise.core.errors import ChangedMeanwhile, NotAllowed, refuse
from fringewise.record.bodies import checked_body
from fringewise.record.chain import ARCHIVE, Draft, Entry, canonical, sealed, stamp
from fringewise.record.inspection import inspection_of
from fringewise.record.overview import FoundFinding, InspectionOverview, overview
from fringewise.record.people import Objection, Person, person_of

Admit = Callable[[Draft, Person | None, Sequence[Entry]], Iterable[Objection]]
"""Says what speaks against a draft, given its author and what is written already."""

_MOST_KNOWN: Final = 50_000
_BATCH: Final = 1000
_IN_ONE_QUERY: Final = 500


@dataclass(frozen=True, slots=True)
class Page:
    """Which part of a long list is wanted: how many at most, after how many others."""

    most: int = 50
    after: int = 0


FIRST_PAGE: Final = Page()


class SqlArchive:
    """An archive in a database, with its files in a folder or store; safe for many processes at once.

    Parameters
    ----------
    engine : Engine
        As `fringewise.archive.database.open_database` gives it; its schema is brought up to date.
    objects : Objects
    """

    def __init__(self, engine: Engine, objects: Objects) -> None:
        bring_up(engine)
        self.engine, self.objects = engine, objects
        self._known: dict[int, Entry] = {}

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def append(self, drafts: Sequence[Draft], author: str, at: datetime, admit: Admit) -> tuple[Entry, ...]:
        """Write drafts down, all of them or none; what is returned is on the disk.

        Parameters
        ----------
        drafts : sequence of Draft
        author : str
            A person's subject in the entries of kind ``person``.
        at : datetime
        admit : callable
            Says what speaks against a draft; asked inside the transaction, so that nobody comes between.

        Raises
        ------
        InputRefused
            A body does not say what its kind must say.
        ChangedMeanwhile
            A draft began from a version that has been replaced since.
        NotAllowed
            Something else speaks against it.
        """
        for draft in drafts:
            checked_body(draft.kind, draft.body, draft.kind)
        with writing(self.engine) as connection:
            made = self._appended(connection, drafts, author, at, admit)
        return tuple(made)

    def _appended(
        self, connection: Connection, drafts: Sequence[Draft], author: str, at: datetime, admit: Admit
    ) -> list[Entry]:
        head = connection.execute(select(HEAD).where(HEAD.c.id == 1).with_for_update()).one()
        sequence, previous = int(head.sequence), str(head.sha256)
        person = self._person(connection, author)
        if person is None and sequence > 0 and self._anybody(connection):
            raise NotAllowed(f"{author} is not known here: an administrator adds people")
        stood: dict[str, list[Entry]] = {}
        made: list[Entry] = []
        for draft in drafts:
            before = self._before(connection, draft, stood, made)
            _refuse(list(admit(draft, person, before)))
            version = sum(entry.key == (draft.kind, draft.subject) for entry in before) + 1
            sequence += 1
            entry = sealed(draft, sequence=sequence, version=version, author=author, at=at, previous=previous)
            previous = entry.sha256
            made.append(entry)
            if draft.inspection != ARCHIVE:
                before.append(entry)
            if person is None and draft.kind == "person":
                person = person_of(entry)
        if made:
            connection.execute(insert(ENTRY), [row_of(entry) for entry in made])
            connection.execute(update(HEAD).where(HEAD.c.id == 1).values(sequence=sequence, sha256=previous))
        for name, entries in stood.items():
            show(connection, name, entries)
        return made

    def entries(self, inspection: str) -> tuple[Entry, ...]:
        """Give all entries of an inspection, in order; none where there is no such inspection."""
        with reading(self.engine) as connection:
            return tuple(self._entries(connection, ENTRY.c.inspection == inspection))

    def inspection_names(self) -> tuple[str, ...]:
        """Give the names of all inspections."""
        query = select(INSPECTION.c.identity).order_by(INSPECTION.c.identity)
        with reading(self.engine) as connection:
            return tuple(str(name) for name in connection.execute(query).scalars())

    def about(self, kind: str, subject: str | None = None) -> tuple[Entry, ...]:
        """Give the archive's own entries of a kind (and subject), in order."""
        with reading(self.engine) as connection:
            return tuple(self._about(connection, kind, subject))

    def person(self, identity: str) -> Person | None:
        """Give a person; None where nobody of that name is known."""
        with reading(self.engine) as connection:
            return self._person(connection, identity)

    def all_entries(self) -> Iterator[Entry]:
        """Give every entry in order, from one state of the database, straight from its rows."""
        with reading(self.engine) as connection:
            for row in connection.execution_options(yield_per=_BATCH).execute(
                select(ENTRY).order_by(ENTRY.c.sequence)
            ):
                yield entry_of(row._mapping)  # noqa: SLF001 - the library's public name for it

    def inspections(self, page: Page = FIRST_PAGE, **wanted: str) -> list[InspectionOverview]:
        """List inspections, the last changed first; `wanted` holds values of columns, such as engine."""
        query = _filtered(select(INSPECTION), INSPECTION, wanted).order_by(INSPECTION.c.changed_at.desc())
        with reading(self.engine) as connection:
            rows = connection.execute(query.limit(page.most).offset(page.after))
            return [InspectionOverview(**row._mapping) for row in rows]  # noqa: SLF001

    def findings(self, page: Page = FIRST_PAGE, **wanted: str) -> list[tuple[str, FoundFinding]]:
        """List findings, each with its inspection; `wanted` holds values of columns, such as kind."""
        query = _filtered(select(FINDING), FINDING, wanted).order_by(FINDING.c.inspection, FINDING.c.identity)
        with reading(self.engine) as connection:
            rows = connection.execute(query.limit(page.most).offset(page.after))
            return [_finding_of(row) for row in rows]

    def keep(self, content: BinaryIO) -> str:
        """Keep a file by its content; gives its hash once it is on the disk and on record."""
        sha256, size = self.objects.keep(content)
        self._record({sha256: size})
        return sha256

    def keep_bytes(self, content: bytes) -> str:
        """Keep a small file's content."""
        return self.keep(io.BytesIO(content))

    def keep_files(self, files: Mapping[str, Callable[[], BinaryIO]]) -> dict[str, str]:
        """Keep several files, all on record together at the end; gives the hash by name."""
        hashes: dict[str, str] = {}
        sizes: dict[str, int] = {}
        for name, opened in files.items():
            with opened() as stream:
                hashes[name], size = self.objects.keep(stream)
            sizes[hashes[name]] = size
        self._record(sizes)
        return hashes

    def _record(self, sizes: Mapping[str, int]) -> None:
        rows = [{"sha256": name, "bytes": size} for name, size in sizes.items()]
        dialect = sqlite if self.engine.dialect.name == "sqlite" else postgresql
        if rows:
            with writing(self.engine) as connection:
                connection.execute(dialect.insert(OBJECT).on_conflict_do_nothing(), rows)

    def open(self, sha256: str) -> BinaryIO:
        """Open a file that is kept."""
        return self.objects.open(sha256)

    def holds(self, sha256: str) -> bool:
        """Whether a file is on record."""
        with reading(self.engine) as connection:
            query = select(func.count()).select_from(OBJECT).where(OBJECT.c.sha256 == sha256)
            return bool(connection.execute(query).scalar())

    def _before(
        self, connection: Connection, draft: Draft, stood: dict[str, list[Entry]], made: list[Entry]
    ) -> list[Entry]:
        """Entries that a draft comes after; those of an inspection are read once and kept in `stood`."""
        name = draft.inspection
        if name == ARCHIVE:
            new = [
                one for one in made if one.inspection == ARCHIVE and one.key == (draft.kind, draft.subject)
            ]
            return [*self._about(connection, draft.kind, draft.subject), *new]
        if name not in stood:
            stood[name] = self._entries(connection, ENTRY.c.inspection == name)
        return stood[name]

    def _about(self, connection: Connection, kind: str, subject: str | None) -> list[Entry]:
        wanted = (ENTRY.c.inspection == ARCHIVE) & (ENTRY.c.kind == kind)
        return self._entries(connection, wanted if subject is None else wanted & (ENTRY.c.subject == subject))

    def _person(self, connection: Connection, identity: str) -> Person | None:
        found = self._about(connection, "person", identity)
        return person_of(found[-1]) if found else None

    def _anybody(self, connection: Connection) -> bool:
        query = select(ENTRY.c.sequence).where((ENTRY.c.inspection == ARCHIVE) & (ENTRY.c.kind == "person"))
        return connection.execute(query.limit(1)).first() is not None

    def _entries(self, connection: Connection, wanted: ColumnElement[bool]) -> list[Entry]:
        """Entries in order; those read before are taken from memory, for they never change."""
        numbers = connection.execute(
            select(ENTRY.c.sequence, ENTRY.c.sha256).where(wanted).order_by(ENTRY.c.sequence)
        ).all()
        known = self._known
        missing = [n for n, sha256 in numbers if n not in known or known[n].sha256 != sha256]
        for at in range(0, len(missing), _IN_ONE_QUERY):
            some = missing[at : at + _IN_ONE_QUERY]
            for row in connection.execute(select(ENTRY).where(ENTRY.c.sequence.in_(some))).mappings():
                known[int(row["sequence"])] = entry_of(row)
        found = [known[n] for n, _ in numbers]
        if len(known) > _MOST_KNOWN:
            known.clear()
        return found


def show(connection: Connection, name: str, entries: Sequence[Entry]) -> None:
    """Write what lists show of an inspection anew from its entries."""
    inspection = inspection_of(entries)
    line = overview(inspection, (stamp(entries[0].at), stamp(entries[-1].at)))
    connection.execute(delete(INSPECTION).where(INSPECTION.c.identity == name))
    connection.execute(insert(INSPECTION).values(**asdict(line)))
    connection.execute(delete(FINDING).where(FINDING.c.inspection == name))
    found = [{"inspection": name, **asdict(one)} for one in inspection.all_findings]
    if found:
        connection.execute(insert(FINDING), found)


def entry_of(row: RowMapping) -> Entry:
    """Make an entry from its row."""
    return Entry(
        int(row["sequence"]), row["inspection"], row["kind"], row["subject"], int(row["version"]),
        row["author"], datetime.fromisoformat(row["at"]), row["reason"], json.loads(row["body"]),
        row["previous"], row["sha256"],
    )  # fmt: skip


def row_of(entry: Entry) -> dict[str, object]:
    """Give the row of an entry."""
    return {
        "sequence": entry.sequence,
        "inspection": entry.inspection,
        "kind": entry.kind,
        "subject": entry.subject,
        "version": entry.version,
        "author": entry.author,
        "at": stamp(entry.at),
        "reason": entry.reason,
        "body": canonical(entry.body),
        "previous": entry.previous,
        "sha256": entry.sha256,
    }


def _finding_of(row: Row[tuple[object, ...]]) -> tuple[str, FoundFinding]:
    values = dict(row._mapping)  # noqa: SLF001 - as above
    return str(values.pop("inspection")), FoundFinding(**values)


def _filtered(
    query: Select[tuple[object, ...]], table: Table, wanted: dict[str, str]
) -> Select[tuple[object, ...]]:
    for name, value in wanted.items():
        if name not in table.c:
            raise refuse("list", name, f"must be one of {', '.join(column.name for column in table.c)}")
        query = query.where(table.c[name] == value)
    return query


def _refuse(objections: Sequence[Objection]) -> None:
    if not objections:
        return
    words = "\n".join(one.words for one in objections)
    raise ChangedMeanwhile(words) if any(one.changed for one in objections) else NotAllowed(words)
