"""A byte flipped anywhere in the store is found: in the database's own file, and in any file beside it."""

from __future__ import annotations

import io
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fringewise.archive.archive import SqlArchive
from fringewise.archive.audit import audit
from fringewise.archive.database import open_database
from fringewise.archive.objects import FolderObjects
from fringewise.archive.tables import METADATA
from fringewise.core.errors import FringewiseError

KEPT = Path(__file__).with_name("kept") / "schema_0001.sqlite"
SEED = 20260314
FLIPS = 150


def opened(folder: Path) -> SqlArchive:
    return SqlArchive(open_database(folder / "a.sqlite"), FolderObjects(folder / "objects"))


def rows(archive: SqlArchive) -> list[Any]:
    with archive.engine.connect() as connection:
        return [
            sorted(str(row) for row in connection.execute(table.select())) for table in METADATA.sorted_tables
        ]


@pytest.mark.heavy
def test_a_flipped_byte_of_the_database_changes_nothing_unnoticed(tmp_path: Path) -> None:
    """It is found by the audit, or the file is refused, or it lay where nothing is kept."""
    (tmp_path / "whole").mkdir()
    shutil.copy(KEPT, tmp_path / "whole" / "a.sqlite")
    whole = opened(tmp_path / "whole")
    whole.objects.keep(io.BytesIO(b"a photo"))
    stood = rows(whole)
    assert audit(whole).clean
    whole.close()
    rng = np.random.default_rng(SEED)
    found = 0
    for number in range(FLIPS):
        folder = tmp_path / str(number)
        shutil.copytree(tmp_path / "whole", folder)
        shutil.copy(KEPT, folder / "a.sqlite")
        data = bytearray(KEPT.read_bytes())
        at = int(rng.integers(len(data)))
        data[at] ^= 1 << int(rng.integers(8))
        (folder / "a.sqlite").write_bytes(bytes(data))
        found += noticed(folder, stood, at)
    assert found > FLIPS // 10, "most of so small a file's pages are empty, but not nine tenths"


def noticed(folder: Path, stood: list[Any], at: int) -> bool:
    """Whether a flip is found; where it is not, every row must be as it was."""
    try:
        archive = opened(folder)
    except FringewiseError:
        return True
    try:
        faults = audit(archive).faults
    except FringewiseError:
        return True
    else:
        if not faults:
            assert rows(archive) == stood, f"byte {at}"
        return bool(faults)
    finally:
        archive.close()


@pytest.mark.parametrize("at", [0, 1, -1])
def test_a_flipped_byte_of_a_file_is_found(tmp_path: Path, at: int) -> None:
    shutil.copy(KEPT, tmp_path / "a.sqlite")
    archive = opened(tmp_path)
    sha256 = archive.keep(io.BytesIO(b"a photo"))
    assert isinstance(archive.objects, FolderObjects)
    path = archive.objects.path(sha256)
    content = bytearray(path.read_bytes())
    content[at] ^= 1
    path.write_bytes(bytes(content))
    assert audit(archive).faults == (f"the file {sha256} was changed after it was kept",)
    archive.close()
