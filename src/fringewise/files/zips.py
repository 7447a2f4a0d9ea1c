"""Zip files from outside, unpacked only where every member is safe: no way out, no bombs, no links."""

from __future__ import annotations

import stat
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, BinaryIO, Final

from fringewise.capture.documents import path_fault
from fringewise.core.errors import InputRefused, PlaceUnusable, Problem
from fringewise.disk.paths import reason

SIGNATURES: Final = (b"PK\x03\x04", b"PK\x05\x06")
"""How a zip file begins: with a member, or empty."""

_CHUNK: Final = 1 << 20
_LOCAL_HEADER: Final = 30
_ENCRYPTED: Final = 0x1
_METHODS: Final = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)


@dataclass(frozen=True, slots=True)
class ZipLimits:
    """How much a zip file may hold.

    Attributes
    ----------
    members : int
    bytes_in_all : int
        Unpacked.
    ratio : float
        Unpacked to packed, of a member larger than `ratio_from` bytes; pictures are packed already, so that
        an honest capture stays near 1.
    ratio_from : int
    """

    members: int = 20_000
    bytes_in_all: int = 16 << 30
    ratio: float = 100.0
    ratio_from: int = 1 << 20


DEFAULT_LIMITS: Final = ZipLimits()


def unpack(path: Path, folder: Path, limits: ZipLimits = DEFAULT_LIMITS) -> None:
    """Unpack a zip file into an empty folder, after a check of every member's name, kind and size.

    Sizes are counted again while unpacking: what the zip file says of them is not trusted.

    Raises
    ------
    InputRefused
        It is damaged, or a member is not safe; all such members are named.
    PlaceUnusable
        The file can't be read, or the folder can't be written.
    """
    try:
        with zipfile.ZipFile(path) as packed:
            members = packed.infolist()
            problems = list(_problems(path.name, members, limits))
            if problems:
                raise InputRefused(problems)
            left = limits.bytes_in_all
            for member in members:
                left -= _unpacked(packed, member, folder, left)
    except (
        zipfile.BadZipFile,
        zlib.error,
        EOFError,
        NotImplementedError,
        RuntimeError,
        UnicodeError,
    ) as error:
        words = str(error).rstrip(".")
        raise InputRefused([Problem(path.name, "", f"must be an undamaged zip file: {words}")]) from error
    except OSError as error:
        raise PlaceUnusable(f"{path} can't be unpacked: {reason(error)}") from error


def _problems(where: str, members: Sequence[zipfile.ZipInfo], limits: ZipLimits) -> Iterator[Problem]:
    if len(members) > limits.members:
        yield Problem(where, "", f"must not hold more than {limits.members:,} files", f"{len(members):,}")
        return
    total = sum(one.file_size for one in members)
    if total > limits.bytes_in_all:
        most, found = f"{limits.bytes_in_all / 2**20:,.1f} MiB", f"{total / 2**20:,.1f} MiB"
        yield Problem(where, "", f"must not hold more than {most} unpacked", found)
    met: dict[str, str] = {}
    for member in members:
        fault = _fault(member, limits)
        same = member.filename.casefold()
        if not fault and same in met:
            fault = "must not have the name of another member, small and capital letters taken as one"
        met[same] = member.filename
        if fault:
            yield Problem(where, member.filename, fault)
    yield from _overlaps(where, members)


def _fault(member: zipfile.ZipInfo, limits: ZipLimits) -> str:
    """Say what makes a member unsafe; empty where nothing does."""
    name = member.filename
    if fault := path_fault(name[:-1] if member.is_dir() else name):
        return fault.replace("the folder of the capture", "the folder that it is unpacked to")
    if fault := _kind_fault(member):
        return fault
    if name.casefold().endswith(".zip"):
        return "must not be a zip file inside a zip file: unpack it and add it by itself"
    if member.file_size > limits.ratio_from and member.file_size > limits.ratio * max(
        member.compress_size, 1
    ):
        return f"must not unpack to more than {limits.ratio:g} times its size"
    return ""


def _kind_fault(member: zipfile.ZipInfo) -> str:
    if stat.S_IFMT(member.external_attr >> 16) not in {0, stat.S_IFREG, stat.S_IFDIR}:
        return "must be an ordinary file or a folder, not a link or a device"
    if member.flag_bits & _ENCRYPTED:
        return "must not be encrypted"
    return "" if member.compress_type in _METHODS else "must be stored or deflated"


def _overlaps(where: str, members: Sequence[zipfile.ZipInfo]) -> Iterator[Problem]:
    """Members that share bytes of the file: a small file could be made to unpack to any size."""
    end = 0
    for member in sorted(members, key=lambda one: one.header_offset):
        if member.header_offset < end:
            yield Problem(where, member.filename, "must not share bytes with another member")
        end = member.header_offset + _LOCAL_HEADER + member.compress_size


def _unpacked(packed: zipfile.ZipFile, member: zipfile.ZipInfo, folder: Path, left: int) -> int:
    """Unpack one member; gives its bytes, at most `left` and at most what it says of itself."""
    target = folder / member.filename
    if member.is_dir():
        target.mkdir(parents=True, exist_ok=True)
        return 0
    target.parent.mkdir(parents=True, exist_ok=True)
    most = min(left, member.file_size)
    with packed.open(member) as source, target.open("xb") as sink:
        size = _copied(source, sink, most)
    if size > most:
        rule = "must not unpack to more than it says of itself"
        raise InputRefused([Problem(member.filename, "", rule)])
    return size


def _copied(source: IO[bytes], sink: BinaryIO, most: int) -> int:
    size, first = 0, True
    while chunk := source.read(_CHUNK):
        if first and chunk.startswith(SIGNATURES):
            rule = "must not hold a zip file: unpack it and add it by itself"
            raise InputRefused([Problem(getattr(source, "name", ""), "", rule)])
        first = False
        size += len(chunk)
        if size > most:
            break
        sink.write(chunk)
    return size
