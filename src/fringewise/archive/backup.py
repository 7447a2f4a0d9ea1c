"""Backup and restore: the whole archive as plain files, from one state, from and to either database."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final

from sqlalchemy import insert, select, update

from fringewise.archive.archive import SqlArchive, entry_of, row_of, show
from fringewise.archive.database import reading, writing
from fringewise.archive.tables import ENTRY, HEAD, OBJECT
from fringewise.core.errors import PlaceUnusable, refuse
from fringewise.core.progress import Progress, Silent, steps
from fringewise.disk import whole_folder
from fringewise.record.chain import ARCHIVE, Entry, breaks

FORMAT: Final = "fringewise.backup/1"
_SILENT: Final = Silent()
_BATCH: Final = 1000
_COPY: Final = 1 << 20


def back_up(archive: SqlArchive, folder: Path, progress: Progress = _SILENT) -> int:
    """Write the whole archive into a new folder while others go on working; gives the number of entries.

    The folder holds ``backup.json`` (where the chain ends), ``entries.jsonl`` (every row as it stands) and
    ``objects/``.
    """
    with whole_folder(folder) as place:
        with reading(archive.engine) as connection:
            head = connection.execute(select(HEAD)).one()
            files = [(row.sha256, int(row.bytes)) for row in connection.execute(select(OBJECT))]
            with (place / "entries.jsonl").open("w", encoding="utf-8", newline="\n") as stream:
                query = select(ENTRY).order_by(ENTRY.c.sequence)
                rows = connection.execution_options(yield_per=_BATCH).execute(query).mappings()
                for row in steps(rows, "entries", progress, int(head.sequence)):
                    stream.write(json.dumps(dict(row), ensure_ascii=False) + "\n")
        for sha256, _ in steps(files, "files", progress, len(files)):
            target = place / "objects" / sha256[:2] / sha256[2:]
            target.parent.mkdir(parents=True, exist_ok=True)
            with archive.objects.open(sha256) as source, target.open("xb") as sink:
                while chunk := source.read(_COPY):
                    sink.write(chunk)
        about = {
            "format": FORMAT,
            "entries": int(head.sequence),
            "head": head.sha256,
            "objects": [{"sha256": name, "bytes": size} for name, size in files],
        }
        (place / "backup.json").write_text(json.dumps(about, indent=1) + "\n", encoding="utf-8")
    return int(head.sequence)


def restore(archive: SqlArchive, folder: Path, progress: Progress = _SILENT) -> int:
    """Fill an empty archive from a backup, after checking its chain and files; gives the number of entries.

    Raises
    ------
    InputRefused
        The folder is no backup, or something in it was changed.
    PlaceUnusable
        The archive holds entries already.
    """
    about = _about(folder)
    entries = _entries(folder, about)
    with reading(archive.engine) as connection:
        if connection.execute(select(ENTRY.c.sequence).limit(1)).first() is not None:
            raise PlaceUnusable("the archive holds entries already: restore into an empty one")
    objects = about["objects"]
    for one in steps(objects, "files", progress, len(objects)):
        with (folder / "objects" / one["sha256"][:2] / one["sha256"][2:]).open("rb") as source:
            kept, _ = archive.objects.keep(source)
        if kept != one["sha256"]:
            raise refuse(str(folder), one["sha256"], "must hold what its name says; it was changed")
    _write(archive, entries, objects, progress)
    return len(entries)


def _write(
    archive: SqlArchive, entries: list[Entry], objects: list[dict[str, Any]], progress: Progress
) -> None:
    with writing(archive.engine) as connection:
        if connection.execute(select(ENTRY.c.sequence).limit(1)).first() is not None:
            raise PlaceUnusable("the archive holds entries already: restore into an empty one")
        for at in range(0, len(entries), _BATCH):
            connection.execute(insert(ENTRY), [row_of(entry) for entry in entries[at : at + _BATCH]])
        if objects:
            connection.execute(insert(OBJECT), objects)
        last = (entries[-1].sequence, entries[-1].sha256) if entries else (0, "0" * 64)
        connection.execute(update(HEAD).where(HEAD.c.id == 1).values(sequence=last[0], sha256=last[1]))
        by_name: dict[str, list[Entry]] = {}
        for entry in entries:
            by_name.setdefault(entry.inspection, []).append(entry)
        by_name.pop(ARCHIVE, None)
        for name, some in steps(by_name.items(), "inspections", progress, len(by_name)):
            show(connection, name, some)


def _about(folder: Path) -> dict[str, Any]:
    try:
        about: dict[str, Any] = json.loads((folder / "backup.json").read_text(encoding="utf-8"))
        names = [one["sha256"] for one in about["objects"]]
        missing = [one for one in names if not (folder / "objects" / one[:2] / one[2:]).is_file()]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise refuse(str(folder), "backup.json", "must be a backup that this program wrote") from error
    if about.get("format") != FORMAT:
        raise refuse(str(folder), "format", f'must be "{FORMAT}"', about.get("format"))
    if missing:
        raise refuse(str(folder), "objects", f"{len(missing)} files are missing, the first is", missing[0])
    return about


def _entries(folder: Path, about: dict[str, Any]) -> list[Entry]:
    try:
        with (folder / "entries.jsonl").open(encoding="utf-8") as stream:
            entries = [entry_of(json.loads(line)) for line in stream]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise refuse(str(folder), "entries.jsonl", "must hold one entry a line, unchanged") from error
    broken = [one.words for one in breaks(entries)]
    head = entries[-1].sha256 if entries else "0" * 64
    if broken or len(entries) != about["entries"] or head != about["head"]:
        words = broken[0] if broken else "entries are missing at its end"
        raise refuse(str(folder), "entries.jsonl", f"must be unchanged; {words}")
    return entries
