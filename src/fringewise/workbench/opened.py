"""Captures that are open in the workbench: read once, decoded once, and kept while they are looked at."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from functools import cached_property
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from fringewise.capture.capture import Capture
from fringewise.core.errors import NotMeasurable
from fringewise.findings.kind import Look
from fringewise.sound.points import pixel_rays
from fringewise.surface.surface import Surface
from fringewise.workbench.packing import pack_layers, pack_surface
from fringewise.workflow.surfaces import CaptureCheck, check_capture, make_surface

MOST_OPEN: Final = 6
_SEED: Final = 20260314


class OpenLook:
    """One capture with all that is made of it when it is first asked for."""

    def __init__(self, sha256: str, capture: Capture) -> None:
        self.sha256, self.capture = sha256, capture
        self.busy = threading.Lock()

    @cached_property
    def surface(self) -> Surface | None:
        """The surface; None where the capture carries none."""
        try:
            return make_surface(self.capture)
        except NotMeasurable:
            return None

    @cached_property
    def check(self) -> CaptureCheck | None:
        """What a person should know before measuring on it."""
        return check_capture(self.capture, self.surface) if self.surface is not None else None

    @cached_property
    def photo_png(self) -> bytes:
        """The photo, or a frame where there is none, in 8 bits for the screen."""
        capture = self.capture
        photo: npt.NDArray[Any] | None = capture.photo
        if photo is None and capture.sets:
            photo = np.asarray(capture.sets[0].frames[0])
        if photo is None:
            photo = np.zeros((2, 2), dtype=np.uint8)
        if photo.dtype != np.uint8:
            photo = (photo >> 8).astype(np.uint8)
        if photo.ndim == 3:
            photo = np.ascontiguousarray(photo[..., ::-1])
        return bytes(cv2.imencode(".png", photo, [cv2.IMWRITE_PNG_COMPRESSION, 1])[1].tobytes())

    @cached_property
    def layers(self) -> bytes:
        """What lies under each pixel, packed."""
        return pack_layers(self.measurable)

    @cached_property
    def in_space(self) -> bytes:
        """The surface, packed for the view in space."""
        return pack_surface(self.measurable)

    @property
    def measurable(self) -> Surface:
        """The surface.

        Raises
        ------
        NotMeasurable
            There is none.
        """
        if self.surface is None:
            raise NotMeasurable("this look has no fringes: it is evidence, nothing can be measured on it")
        return self.surface

    @cached_property
    def _rays(self) -> Look:
        return Look(self.measurable, pixel_rays(self.measurable))

    def look(self, number: int = 0) -> Look:
        """Give the look for measuring its finding of that number: the same draws each time."""
        return Look(self.measurable, self._rays.rays, np.random.default_rng([_SEED, number]))


class Opened:
    """The captures that were looked at last."""

    def __init__(self, read: Callable[[str], Capture], most: int = MOST_OPEN) -> None:
        self._read, self._most = read, most
        self._looks: OrderedDict[str, OpenLook] = OrderedDict()
        self._lock = threading.Lock()
        self._reading: dict[str, threading.Lock] = {}

    def look(self, sha256: str) -> OpenLook:
        """Give an open capture, reading it where it isn't open; two who ask at once read it once."""
        with self._lock:
            there = self._known(sha256)
            if there is not None:
                return there
            reading = self._reading.setdefault(sha256, threading.Lock())
        with reading:
            with self._lock:
                there = self._known(sha256)
            if there is not None:
                return there
            made = OpenLook(sha256, self._read(sha256))
            with self._lock:
                self._looks[sha256] = made
                self._reading.pop(sha256, None)
                while len(self._looks) > self._most:
                    self._looks.popitem(last=False)
        return made

    def _known(self, sha256: str) -> OpenLook | None:
        look = self._looks.get(sha256)
        if look is not None:
            self._looks.move_to_end(sha256)
        return look
