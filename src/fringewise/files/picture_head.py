"""What a picture file says of itself before it is decoded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

MOST_PIXELS_A_SIDE: Final = 16_384


@dataclass(frozen=True, slots=True)
class PictureHead:
    """Size in pixels, bits of one grey level, and channels (1 grey, 3 colour) of a picture file."""

    width: int
    height: int
    bits: int
    channels: int

    def __post_init__(self) -> None:
        if not (1 <= self.width <= MOST_PIXELS_A_SIDE and 1 <= self.height <= MOST_PIXELS_A_SIDE):
            raise ValueError(
                f"must be 1 to {MOST_PIXELS_A_SIDE:,} pixels a side (found {self.width} × {self.height})"
            )
        if self.bits not in (8, 16):
            raise ValueError(f"must have 8 or 16 bits (found {self.bits})")
        if self.channels not in (1, 3):
            raise ValueError(f"must have one channel, or three for colour (found {self.channels})")

    @property
    def size(self) -> str:
        """The size in words."""
        return f"{self.width} × {self.height} pixels"
