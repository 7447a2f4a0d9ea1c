"""What is taken in is known by content, read back as it came, and never half there."""

from __future__ import annotations

import shutil
import stat
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from small_captures import small_capture

from fringewise.archive.archive import SqlArchive
from fringewise.archive.audit import audit
from fringewise.core.errors import FringewiseError, InputRefused
from fringewise.files import read_capture, write_capture
from fringewise.files.intake import PassedOver, capture_of, parcels_at
from fringewise.files.zips import ZipLimits, unpack
from fringewise.workflow.intake import Parcel, Taken, find_taken, take_in
from fringewise.workflow.keeping import Desk

PNG = b"\x89PNG\r\n\x1a\n"


@pytest.fixture(scope="module")
def look(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("looks") / "look"
    write_capture(small_capture(), folder)
    return folder


@pytest.fixture(scope="module")
def packed(look: Path) -> bytes:
    path = look.parent / "look.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as made:
        for one in sorted(look.rglob("*")):
            made.write(one, f"look/{one.relative_to(look).as_posix()}")
    return path.read_bytes()


def taken(desk: Desk, path: Path) -> list[Taken]:
    return [take_in(desk, one) for one in parcels_at(path) if isinstance(one, Parcel)]


def test_a_capture_is_read_back_as_it_came(desk: Desk, archive: SqlArchive, look: Path) -> None:
    (one,) = taken(desk, look)
    assert (one.kind, one.new, one.sha256) == ("capture", True, read_capture(look).sha256)
    again = capture_of(archive, one.sha256)
    came = read_capture(look)
    assert again.sha256 == came.sha256
    assert (again.sets[1].frames == came.sets[1].frames).all()
    body = find_taken(desk, one.sha256[:8])
    assert (body.head, body.measurable, body.captured_at) == ("SMALL-1", True, came.captured_at.isoformat())
    assert archive.holds(str(body.head_sha256))
    assert audit(archive).clean


def test_what_is_here_is_known_by_its_content(
    desk: Desk, archive: SqlArchive, look: Path, packed: bytes, tmp_path: Path
) -> None:
    shutil.copytree(look, tmp_path / "other name")
    (tmp_path / "a.zip").write_bytes(packed)
    first, second, third = (
        taken(desk, path)[0] for path in (look, tmp_path / "other name", tmp_path / "a.zip")
    )
    assert [one.new for one in (first, second, third)] == [True, False, False]
    assert first.sha256 == second.sha256 == third.sha256
    assert len(archive.about("intake")) == 1


def test_photos_and_videos_are_evidence_and_other_files_are_passed_over(look: Path, tmp_path: Path) -> None:
    (tmp_path / "all").mkdir()
    shutil.copytree(look, tmp_path / "all" / "look")
    (tmp_path / "all" / "photo.jpg").write_bytes(b"\xff\xd8\xff\xe0 and so on")
    (tmp_path / "all" / "film.mp4").write_bytes(b"\0\0\0\x18ftypmp42")
    (tmp_path / "all" / "notes.txt").write_text("x")
    found = list(parcels_at(tmp_path / "all"))
    assert [one.kind for one in found if isinstance(one, Parcel)] == ["video", "capture", "photo"]
    (passed,) = [one for one in found if isinstance(one, PassedOver)]
    assert (passed.name, passed.unsound) == ("all/notes.txt", False)
    with pytest.raises(InputRefused, match="must be a capture folder, a photo"):
        list(parcels_at(tmp_path / "all" / "notes.txt"))
    with pytest.raises(InputRefused, match="must exist"):
        list(parcels_at(tmp_path / "nothing"))


def test_an_unsound_capture_beside_others_is_named_and_the_others_are_taken(
    look: Path, tmp_path: Path
) -> None:
    for name in ("one", "two"):
        shutil.copytree(look, tmp_path / "all" / name)
    (tmp_path / "all" / "one" / "frames" / "set0_0.png").unlink()
    unsound, sound = parcels_at(tmp_path / "all")
    assert isinstance(unsound, PassedOver)
    assert unsound.unsound
    assert "frames" in unsound.words
    assert isinstance(sound, Parcel)


def test_files_that_were_lost_come_back_with_the_same_capture(
    desk: Desk, archive: SqlArchive, look: Path
) -> None:
    taken(desk, look)
    for path in sorted((archive.objects.folder).glob("??/*"))[::2]:  # type: ignore[attr-defined]
        path.write_bytes(b"spoilt") if path.name[0] < "8" else path.unlink()
    assert not audit(archive).clean
    assert [one.new for one in taken(desk, look)] == [False]
    assert audit(archive).clean


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(share=st.floats(0, 1), seed=st.integers(0, 3))
def test_a_zip_file_cut_at_any_byte_leaves_the_archive_whole(
    desk: Desk, archive: SqlArchive, packed: bytes, tmp_path: Path, share: float, seed: int
) -> None:
    path = tmp_path / f"cut{seed}.zip"
    path.write_bytes(packed[: int(share * (len(packed) - 1))])
    with pytest.raises(FringewiseError):
        taken(desk, path)
    assert archive.about("intake") == ()


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_folder_cut_anywhere_is_not_taken_as_a_capture(
    desk: Desk, archive: SqlArchive, look: Path, tmp_path: Path, data: st.DataObject
) -> None:
    """A card pulled out while copying: some files are whole, one is cut, the rest are missing."""
    files = sorted(one for one in look.rglob("*") if one.is_file())
    order = data.draw(st.permutations(files))
    upto = data.draw(st.integers(0, len(order) - 1))
    cut = tmp_path / "cut"
    shutil.rmtree(cut, ignore_errors=True)
    for n, one in enumerate(order[: upto + 1]):
        target = cut / one.relative_to(look)
        target.parent.mkdir(parents=True, exist_ok=True)
        content = one.read_bytes()
        size = data.draw(st.integers(0, len(content) - 1)) if n == upto else len(content)
        target.write_bytes(content[:size])
    before = len(archive.about("intake"))
    try:
        found = taken(desk, cut)
    except FringewiseError:
        found = []
    assert [one for one in found if one.kind == "capture"] == []
    assert len([one for one in archive.about("intake") if one.body["kind"] == "capture"]) == 0
    assert before <= len(archive.about("intake"))


def test_what_was_cut_off_can_be_repeated(
    desk: Desk, archive: SqlArchive, look: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Broken off after each number of files kept, on the way to the manifest, and before the entry."""
    keep = archive.objects.keep
    for most in range(12):
        count = iter(range(most))

        def cut(content: BinaryIO, count: Iterator[int] = count) -> tuple[str, int]:
            if next(count, None) is None:
                raise OSError("the plug was pulled")
            return keep(content)

        monkeypatch.setattr(archive.objects, "keep", cut)
        with pytest.raises(OSError, match="the plug was pulled"):
            taken(desk, look)
        monkeypatch.undo()
        assert archive.about("intake") == ()
        assert audit(archive).clean
    assert [one.new for one in taken(desk, look)] == [True]
    assert audit(archive).clean


def zip_of(path: Path, *members: tuple[zipfile.ZipInfo | str, bytes]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as made:
        for name, content in members:
            made.writestr(name, content)
    return path


def link(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name)
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    return info


@pytest.mark.parametrize(
    ("name", "rule"),
    [
        ("../out.png", "must stay inside"),
        ("a/../../out.png", "must stay inside"),
        ("/etc/passwd", "must stay inside"),
        ("C:/out.png", "without a drive"),
        ("a\\..\\out.png", "without a drive"),
        ("aux.png", "must not be the name of a device"),
        ("a./b", "plain path"),
        ("inner.ZIP", "must not be a zip file inside a zip file"),
    ],
)
def test_a_member_that_would_lead_out_is_refused(tmp_path: Path, name: str, rule: str) -> None:
    info = zipfile.ZipInfo("x")
    info.filename = name  # as a hostile writer has it
    path = zip_of(tmp_path / "a.zip", ("good.png", PNG), (info, PNG))
    (tmp_path / "out").mkdir()
    with pytest.raises(InputRefused, match=rule):
        unpack(path, tmp_path / "out")
    assert list((tmp_path / "out").iterdir()) == []


def test_links_bombs_and_doubles_are_refused(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    bomb = zip_of(tmp_path / "b.zip", ("big.png", b"\0" * (4 << 20)))
    double = zip_of(tmp_path / "d.zip", ("a.png", PNG), ("A.png", PNG))
    hidden = zip_of(tmp_path / "h.zip", ("a.png", bomb.read_bytes()))
    many = zip_of(tmp_path / "m.zip", *((f"{n}.png", PNG) for n in range(6)))
    for path, rule in (
        (zip_of(tmp_path / "l.zip", (link("a.png"), b"/etc/passwd")), "not a link or a device"),
        (bomb, "must not unpack to more than 100 times its size"),
        (double, "must not have the name of another member"),
        (hidden, "must not hold a zip file"),
    ):
        with pytest.raises(InputRefused, match=rule):
            unpack(path, tmp_path / "out")
    with pytest.raises(InputRefused, match="must not hold more than 5 files"):
        unpack(many, tmp_path / "out", ZipLimits(members=5))
    with pytest.raises(InputRefused, match=r"must not hold more than 0\.0 MiB unpacked"):
        unpack(many, tmp_path / "out", ZipLimits(bytes_in_all=40))


def test_a_member_that_lies_about_its_size_is_refused(tmp_path: Path) -> None:
    path = zip_of(tmp_path / "a.zip", ("big.png", PNG + bytes(range(256)) * 40))
    data = bytearray(path.read_bytes())
    at = data.rfind(b"PK\x01\x02") + 24
    data[at : at + 4] = (9).to_bytes(4, "little")
    path.write_bytes(bytes(data))
    (tmp_path / "out").mkdir()
    with pytest.raises(InputRefused, match=r"says of itself|undamaged zip file"):
        unpack(path, tmp_path / "out")


def test_members_that_share_bytes_are_refused(tmp_path: Path) -> None:
    path = zip_of(tmp_path / "a.zip", ("a.png", PNG * 9), ("b.png", PNG * 9))
    data = bytearray(path.read_bytes())
    second = data.rfind(b"PK\x01\x02")
    data[second + 42 : second + 46] = (4).to_bytes(4, "little")
    path.write_bytes(bytes(data))
    (tmp_path / "out").mkdir()
    with pytest.raises(InputRefused, match=r"must not share bytes|undamaged zip file"):
        unpack(path, tmp_path / "out")
