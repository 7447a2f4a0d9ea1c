"""A capture: the frames of one look at the part, with the plan they follow and the head that took them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt

from fringewise.capture.head import Head
from fringewise.capture.plan import FringeSet

FrameArray = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class FringeFrames:
    """The frames of one fringe set: `frames` (N, H, W), unsigned 8 or 16 bits, one for each shift."""

    fringe_set: FringeSet
    frames: FrameArray

    def __post_init__(self) -> None:
        if self.frames.dtype not in (np.uint8, np.uint16):
            raise ValueError(f"frames must be unsigned 8 or 16 bits (found {self.frames.dtype})")
        if self.frames.ndim != 3 or len(self.frames) != len(self.fringe_set.shifts_rad):
            raise ValueError(
                f"frames must be N × H × W, one for each of the {len(self.fringe_set.shifts_rad)} shifts"
                f" (found {self.frames.shape})"
            )
        self.frames.setflags(write=False)


@dataclass(frozen=True, slots=True)
class Capture:
    """One look at the part (format 1).

    Attributes
    ----------
    head : Head, optional
        Absent only where there are no fringe sets.
    sets : tuple of FringeFrames
        In the order of the document; empty for a plain photo or a video.
    photo : (H, W) or (H, W, 3) array of unsigned 8 or 16 bits, optional
        On the frames' pixel grid; colour is red, green, blue.
    captured_at : datetime
        With its zone.
    probe, note, video : str, optional
    sha256 : str
        Content hash after format 1; empty for a capture that was never a folder.
    extra : mapping
        Fields of the document that this program does not know; kept.
    """

    captured_at: datetime
    head: Head | None = None
    sets: tuple[FringeFrames, ...] = ()
    photo: FrameArray | None = None
    probe: str | None = None
    note: str | None = None
    video: str | None = None
    sha256: str = ""
    extra: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.captured_at.tzinfo is None:
            raise ValueError("captured_at must have a zone")
        if self.sets and self.head is None:
            raise ValueError("a capture with fringe sets needs its head")
        shapes = {one.frames.shape[1:] for one in self.sets}
        types = {one.frames.dtype for one in self.sets}
        if self.photo is not None:
            shapes.add(self.photo.shape[:2])
        if self.head is not None and self.sets:
            shapes.add((self.head.camera.height, self.head.camera.width))
        if len(shapes) > 1:
            raise ValueError(f"frames, photo and head must have one size (found {sorted(shapes)})")
        if len(types) > 1:
            raise ValueError("all frames must have the same depth in bits")

    @property
    def column_sets(self) -> tuple[FringeFrames, ...]:
        """The sets that tell the pattern's column, in the order of the document."""
        return tuple(one for one in self.sets if one.fringe_set.across == "columns")

    @property
    def row_sets(self) -> tuple[FringeFrames, ...]:
        """The sets that tell the pattern's row, in the order of the document."""
        return tuple(one for one in self.sets if one.fringe_set.across == "rows")

    @property
    def bits(self) -> int:
        """Bits of a frame's grey levels: the head's word, else those of the files."""
        if self.head is not None and self.head.noise is not None:
            return self.head.noise.bits
        return 8 * self.sets[0].frames.dtype.itemsize if self.sets else 8
