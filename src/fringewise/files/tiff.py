"""What a TIFF file says of itself, and whether it is whole: its one directory and where its data lie.

TIFF has no check sums, so what can be told is that all data are there, and, for data packed by Deflate,
that they unpack. Plain, PackBits and LZW data with changed bytes can't be told from sound ones.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from fringewise.files.picture_head import PictureHead

SIGNATURES: Final = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")

_WIDTH, _HEIGHT, _BITS, _COMPRESSION, _PHOTOMETRIC = 256, 257, 258, 259, 262
_STRIPS, _ORIENTATION, _SAMPLES, _STRIP_BYTES = 273, 274, 277, 279
_TILES, _TILE_BYTES, _EXTRA_SAMPLES, _SAMPLE_FORMAT = 324, 325, 338, 339

_SIZES: Final = {
    1: 1,
    2: 1,
    3: 2,
    4: 4,
    5: 8,
    6: 1,
    7: 1,
    8: 2,
    9: 4,
    10: 8,
    11: 4,
    12: 8,
    13: 4,
    16: 8,
    17: 8,
}
_WHOLE: Final = {1: "B", 3: "H", 4: "I", 13: "I", 16: "Q"}
_SORTS: Final = {1: "plain", 5: "LZW", 8: "Deflate", 32773: "PackBits", 32946: "Deflate"}
_GREY_DARK_IS_0, _RGB = 1, 2
_MOST_ENTRIES: Final = 4096
_MOST_VALUES: Final = 1 << 20

_Tags = Mapping[int, tuple[int, ...]]


@dataclass(frozen=True, slots=True)
class _Layout:
    """Byte order and widths: classic TIFF and BigTIFF differ only in these."""

    order: str
    offset: str
    count: str
    entry_bytes: int
    first_directory_at: int

    def read(self, data: bytes, sort: str, place: int) -> int:
        layout = struct.Struct(self.order + sort)
        if place < 0 or place + layout.size > len(data):
            raise ValueError("must be a whole TIFF file: it breaks off")
        return int(layout.unpack_from(data, place)[0])


def tiff_head(data: bytes) -> PictureHead:
    """Read size, depth and channels of a whole TIFF file with one picture.

    Raises
    ------
    ValueError
        The file is damaged or breaks off, holds several pictures, or is of a sort that holds no plain grey
        levels. The message is the rule that is broken.
    """
    layout = _layout(data)
    tags, following = _directory(data, layout, layout.read(data, layout.offset, layout.first_directory_at))
    if following:
        raise ValueError("must hold one picture, not several")
    _refuse_odd_sorts(tags)
    bits = set(tags.get(_BITS, (1,)))
    if len(bits) != 1:
        raise ValueError("must have the same number of bits in each channel")
    head = PictureHead(_one(tags, _WIDTH), _one(tags, _HEIGHT), bits.pop(), _one(tags, _SAMPLES, 1))
    wanted = _RGB if head.channels == 3 else _GREY_DARK_IS_0
    if _one(tags, _PHOTOMETRIC) != wanted:
        raise ValueError("must hold grey levels with 0 for black, or red, green and blue")
    _refuse_missing_data(data, tags, head)
    return head


def _layout(data: bytes) -> _Layout:
    order = "<" if data[:2] == b"II" else ">"
    if data[2:4] in (b"+\0", b"\0+"):
        return _Layout(order, "Q", "Q", 20, 8)
    return _Layout(order, "I", "H", 12, 4)


def _directory(data: bytes, layout: _Layout, place: int) -> tuple[dict[int, tuple[int, ...]], int]:
    entries = layout.read(data, layout.count, place)
    place += struct.calcsize(layout.count)
    if entries > _MOST_ENTRIES:
        raise ValueError("must be an undamaged TIFF file: its directory is not one")
    tags = {}
    for n in range(entries):
        entry = place + n * layout.entry_bytes
        tag = layout.read(data, "H", entry)
        tags[tag] = _values(data, layout, entry)
    return tags, layout.read(data, layout.offset, place + entries * layout.entry_bytes)


def _values(data: bytes, layout: _Layout, entry: int) -> tuple[int, ...]:
    """Give an entry's whole numbers; empty for text, fractions and the like."""
    sort = layout.read(data, "H", entry + 2)
    count = layout.read(data, layout.offset, entry + 4)
    at = entry + 4 + struct.calcsize(layout.offset)
    size = _SIZES.get(sort, 1) * count
    if size > struct.calcsize(layout.offset):
        at = layout.read(data, layout.offset, at)
    if at + size > len(data):
        raise ValueError("must be a whole TIFF file: it breaks off")
    if sort not in _WHOLE or count > _MOST_VALUES:
        return ()
    return struct.unpack_from(f"{layout.order}{count}{_WHOLE[sort]}", data, at)


def _one(tags: _Tags, tag: int, absent: int | None = None) -> int:
    values = tags.get(tag, ())
    if values:
        return values[0]
    if absent is None:
        raise ValueError("must be an undamaged TIFF file: a tag that it needs is missing")
    return absent


def _refuse_odd_sorts(tags: _Tags) -> None:
    if _one(tags, _COMPRESSION, 1) not in _SORTS:
        sorts = ", ".join(dict.fromkeys(_SORTS.values()))
        raise ValueError(f"must be packed without loss in one of these ways: {sorts}")
    if set(tags.get(_SAMPLE_FORMAT, (1,))) != {1}:
        raise ValueError("must hold whole numbers of 0 or more")
    if _one(tags, _ORIENTATION, 1) != 1:
        raise ValueError("must lie as the camera delivered it, not turned by an orientation tag")
    if tags.get(_EXTRA_SAMPLES):
        raise ValueError("must be one picture without transparency")


def _refuse_missing_data(data: bytes, tags: _Tags, head: PictureHead) -> None:
    tiled = _TILES in tags
    places = tags.get(_TILES if tiled else _STRIPS, ())
    sizes = tags.get(_TILE_BYTES if tiled else _STRIP_BYTES, ())
    if not places or len(places) != len(sizes) or min(sizes) == 0:
        raise ValueError("must be an undamaged TIFF file: it does not say where its picture lies")
    if max(place + size for place, size in zip(places, sizes, strict=True)) > len(data):
        raise ValueError("must be a whole TIFF file: it breaks off")
    whole = head.width * head.height * head.channels * head.bits // 8
    sort = _SORTS[_one(tags, _COMPRESSION, 1)]
    if sort == "plain" and sum(sizes) < whole:
        raise ValueError("must be a whole TIFF file: a part of its picture is missing")
    if sort == "Deflate":
        _refuse_damaged_parts([data[at : at + size] for at, size in zip(places, sizes, strict=True)], whole)


def _refuse_damaged_parts(parts: Sequence[bytes], most_bytes: int) -> None:
    for part in parts:
        unpacking = zlib.decompressobj()
        try:
            unpacking.decompress(part, 2 * most_bytes + 1024)
        except zlib.error as error:
            raise ValueError("must be an undamaged TIFF file: a part of it does not unpack") from error
        if not unpacking.eof:
            raise ValueError("must be an undamaged TIFF file: a part of it breaks off")
