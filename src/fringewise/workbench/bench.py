"""What is on the bench: the archive where there is one, who works here, the captures that are open."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from fringewise.core.errors import PlaceUnusable
from fringewise.wiring import Settings

if TYPE_CHECKING:
    from fringewise.archive.archive import SqlArchive
    from fringewise.workbench.demo import DemoWork
    from fringewise.workbench.opened import Opened
    from fringewise.workflow.keeping import Desk

NO_ARCHIVE = "there is no archive here yet: begin an inspection, or make the demo inspection"


@dataclass
class Bench:
    """One person's bench on this machine; heavy parts come when they are first needed.

    Attributes
    ----------
    settings : Settings
    warm : callable, optional
        Loads what measuring needs; called once, after the first page is out.
    """

    settings: Settings
    warm: Callable[[], None] | None = None
    _lock: threading.RLock = field(default_factory=threading.RLock, repr=False)

    @property
    def has_archive(self) -> bool:
        """Whether there is an archive; asking makes none."""
        place = self.settings.archive
        return "://" in place or (Path(place) / "archive.sqlite").is_file()

    @cached_property
    def _archive(self) -> SqlArchive:
        from fringewise.wiring import open_archive  # noqa: PLC0415 - the first page does without

        return open_archive(self.settings)

    @cached_property
    def _desk(self) -> Desk:
        from fringewise.wiring import desk  # noqa: PLC0415 - likewise

        return desk(self.settings, self._archive)

    def archive(self) -> SqlArchive:
        """Give the archive.

        Raises
        ------
        PlaceUnusable
            There is none yet; `made` makes one.
        """
        if not self.has_archive:
            raise PlaceUnusable(NO_ARCHIVE)
        with self._lock:
            return self._archive

    def desk(self) -> Desk:
        """Give the desk at the archive that is there; PlaceUnusable where there is none."""
        self.archive()
        with self._lock:
            return self._desk

    def made(self) -> Desk:
        """Give the desk, making an archive where there is none."""
        with self._lock:
            return self._desk

    @cached_property
    def opened(self) -> Opened:
        """Captures that are open."""
        from fringewise.workbench.opened import Opened  # noqa: PLC0415 - likewise

        return Opened(lambda sha256: self.desk().read(sha256))

    @cached_property
    def demo(self) -> DemoWork:
        """The making of the demo inspection."""
        from fringewise.workbench.demo import DemoWork  # noqa: PLC0415 - likewise

        return DemoWork()

    def warm_up(self) -> None:
        """Load what measuring needs in the background, once."""
        with self._lock:
            warm, self.warm = self.warm, None
        if warm is not None:
            threading.Thread(target=warm, name="warming up", daemon=True).start()
