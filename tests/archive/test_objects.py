"""Files are kept by their content, whole or not at all, in a folder or in a store."""

from __future__ import annotations

import hashlib
import io
import os
import time
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest

from fringewise.archive.objects import FolderObjects, Objects, StoreObjects, objects_at
from fringewise.core.errors import PlaceUnusable


@pytest.fixture(params=["folder", "store", "store in a folder"])
def objects(request: pytest.FixtureRequest, tmp_path: Path) -> Objects:
    places = {
        "folder": str(tmp_path / "objects"),
        "store": f"memory://{uuid4().hex}",
        "store in a folder": (tmp_path / "store").as_uri(),
    }
    return objects_at(places[request.param])


class Broken(io.BytesIO):
    """A stream that breaks off after its first bytes."""

    def read(self, size: int | None = -1) -> bytes:
        if self.tell():
            raise OSError("the plug was pulled")
        return super().read(min(4, size) if size and size > 0 else 4)


def test_what_is_kept_is_found_by_its_content(objects: Objects) -> None:
    content = b"twelve frames" * 1000
    sha256, size = objects.keep(io.BytesIO(content))
    assert (sha256, size) == (hashlib.sha256(content).hexdigest(), len(content))
    assert objects.keep(io.BytesIO(content)) == (sha256, size)
    with objects.open(sha256) as stream:
        assert stream.read() == content
    assert objects.holds(sha256)
    assert list(objects.names()) == [sha256]


def test_what_breaks_off_leaves_nothing(objects: Objects) -> None:
    with pytest.raises(PlaceUnusable, match="the plug was pulled"):
        objects.keep(Broken(b"twelve frames"))
    assert list(objects.names()) == []


def test_what_is_not_there_is_said(objects: Objects) -> None:
    assert not objects.holds("0" * 64)
    with pytest.raises(PlaceUnusable, match="is not in"):
        objects.open("0" * 64)


def test_only_hashes_are_names(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="SHA-256"):
        FolderObjects(tmp_path).open("../../etc/passwd")


def test_a_store_that_is_not_known_is_refused() -> None:
    with pytest.raises(PlaceUnusable, match="can't be used"):
        StoreObjects("nowhere://x/y")


def test_an_object_that_was_spoilt_is_kept_anew(tmp_path: Path) -> None:
    objects: Any = FolderObjects(tmp_path)
    sha256, _ = objects.keep(io.BytesIO(b"frames"))
    objects.path(sha256).write_bytes(b"framez")
    objects.keep(io.BytesIO(b"frames"))
    assert objects.path(sha256).read_bytes() == b"frames"


def test_what_a_killed_writer_left_is_swept_after_a_day(tmp_path: Path) -> None:
    (tmp_path / "coming").mkdir()
    for name, age_s in (("old", 2 * 86_400), ("young", 60)):
        (tmp_path / "coming" / name).write_bytes(b"half")
        os.utime(tmp_path / "coming" / name, (time.time() - age_s,) * 2)
    FolderObjects(tmp_path).keep(io.BytesIO(b"frames"))
    assert [path.name for path in (tmp_path / "coming").iterdir()] == ["young"]
