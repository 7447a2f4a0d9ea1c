"""A single photo, read for a surface that was made elsewhere."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from fringewise.capture.capture import FrameArray
from fringewise.core.errors import refuse
from fringewise.disk import bytes_of
from fringewise.files.pictures import decoded_picture, picture_head, silent_decoder

_MOST_BYTES: Final = 1 << 30


def read_photo(path: Path) -> FrameArray:
    """Read a PNG or TIFF photo of 8 or 16 bits: (H, W) grey or (H, W, 3) red, green, blue.

    Raises
    ------
    InputRefused
        It is missing, damaged or no such picture.
    PlaceUnusable
        It is there and can't be read.
    """
    data = bytes_of(path, _MOST_BYTES)
    try:
        with silent_decoder():
            return decoded_picture(data, picture_head(data))
    except ValueError as error:
        raise refuse(str(path), "", str(error)) from error
