"""What a PNG file says of itself, and whether it is whole: chunks, check sums and end are looked at.

Decoders give back part of a damaged file without a word, so this is done before decoding.
"""

from __future__ import annotations

import struct
import zlib
from typing import Final

from fringewise.files.picture_head import PictureHead

SIGNATURE: Final = b"\x89PNG\r\n\x1a\n"

_CHUNK: Final = struct.Struct(">I4s")
_CRC: Final = struct.Struct(">I")
_IHDR: Final = struct.Struct(">IIBBBBB")
_CHANNELS: Final = {0: 1, 2: 3}
_OTHER_COLOURS: Final = {3: "a palette", 4: "grey with transparency", 6: "colour with transparency"}


def png_head(data: bytes) -> PictureHead:
    """Read size, depth and channels of a whole PNG file.

    Raises
    ------
    ValueError
        The file is damaged or breaks off, or is of a sort that holds no plain grey levels. The message is
        the rule that is broken.
    """
    view = memoryview(data)
    place, head, has_data = len(SIGNATURE), None, False
    while True:
        name, content, place = _chunk(view, place)
        if head is None:
            head = _header(name, content)
        has_data = has_data or name == b"IDAT"
        if name in (b"tRNS", b"acTL"):
            raise ValueError("must be one picture without transparency")
        if name == b"IEND":
            break
    if not has_data:
        raise ValueError("must be a whole PNG file: it holds no picture")
    return head


def _chunk(view: memoryview, place: int) -> tuple[bytes, memoryview, int]:
    """Give a chunk's name and content, and where the next one begins."""
    if place + 12 > len(view):
        raise ValueError("must be a whole PNG file: it breaks off")
    length, name = _CHUNK.unpack_from(view, place)
    end = place + 8 + length
    if end + 4 > len(view):
        raise ValueError("must be a whole PNG file: it breaks off")
    if zlib.crc32(view[place + 4 : end]) != _CRC.unpack_from(view, end)[0]:
        raise ValueError("must be an undamaged PNG file: a check sum does not fit")
    return name, view[place + 8 : end], end + 4


def _header(name: bytes, content: memoryview) -> PictureHead:
    if name != b"IHDR" or len(content) != _IHDR.size:
        raise ValueError("must be a PNG file that begins with its header")
    width, height, bits, colour, compression, filtering, interlace = _IHDR.unpack(content)
    if colour in _OTHER_COLOURS:
        raise ValueError(f"must hold plain grey levels or colours, not {_OTHER_COLOURS[colour]}")
    if colour not in _CHANNELS or compression or filtering or interlace > 1:
        raise ValueError("must be a PNG file of a sort that is in the standard")
    return PictureHead(width, height, bits, _CHANNELS[colour])
