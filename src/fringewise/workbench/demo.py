"""Making the demo inspection in the archive: rendered, taken in, partly marked, the rest left to be done."""

from __future__ import annotations

import tempfile
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from fringewise.core.errors import FringewiseError
from fringewise.core.progress import Silent
from fringewise.files.findings import read_findings
from fringewise.files.intake import PassedOver, parcels_at
from fringewise.wiring import folder_shelf
from fringewise.workflow import demo
from fringewise.workflow.inspecting import attach, mark_and_measure
from fringewise.workflow.intake import take_in
from fringewise.workflow.keeping import Desk, begin_inspection, required_look

IDENTITY: Final = "DEMO-1"
LOOK: Final = "pressure side"
LEFT_TO_DO: Final = frozenset({7})
"""Blades whose damage is left for the person to mark."""

CARD: Final[dict[str, Any]] = {
    "format": "fringewise.workcard/1",
    "order": IDENTITY,
    "engine": {"serial": "D-0007", "type": "invented small gas turbine", "hours": 8120, "cycles": 2210},
    "reason": "scheduled",
    "procedure": "Demo manual (invented), task 72-00-05, revision 4",
    "stage": [
        {
            "name": demo.STAGE,
            "part": demo.PART,
            "items": demo.BLADES,
            "item": "blade",
            "numbered": "1 is the blade with the locking mark; counting with the rotor's turning",
            "viewed": demo.VIEWED,
            "looks": [{"name": LOOK, "port": "P4"}],
        }
    ],
}


LIMITS: Final = """
format = "fringewise.limits/1"
title  = "Invented limits of the demo engine"
source = "Demo manual (invented), chapter 72-30, revision 4, 2026-02-01"
entered_by = "technician A"
checked_by = "reviewer B"
decision = {rule = "ISO 14253-1:2017", source = "Demo procedure 12 (invented), revision 2"}

[[rule]]
id = "C3-DENT"
part = "compressor 3 blade"
kind = "dent"
quantity = "depth"
unit = "mm"
serviceable_up_to = 0.12
inspect_again_up_to = 0.30
interval = {cycles = 300, hours = 250}
source = "table 601, line 2"

[[never]]
id = "C3-CRACK"
part = "compressor 3 blade"
kind = "crack"
zone = "any"
"""


@dataclass
class DemoWork:
    """The making of the demo, in the background; asked for twice it is made once."""

    done: int = 0
    state: str = "not begun"
    words: str = ""
    _lock: threading.Lock = field(default_factory=threading.Lock, repr=False)

    def told(self) -> dict[str, Any]:
        """Say how far it is."""
        return {
            "state": self.state,
            "done": self.done,
            "of": len(demo.SCENARIO),
            "identity": IDENTITY,
            "words": self.words,
        }

    def start(self, desk: Desk) -> dict[str, Any]:
        """Begin, unless it was begun."""
        with self._lock:
            if self.state in {"not begun", "failed"}:
                there = bool(desk.archive.entries(IDENTITY))
                self.state = "ready" if there else "being made"
                if not there:
                    threading.Thread(target=self._make, args=(desk,), name="demo", daemon=True).start()
        return self.told()

    def _make(self, desk: Desk) -> None:
        try:
            book = desk.archive.keep_bytes(LIMITS.encode())
            begin_inspection(desk, IDENTITY, CARD, limits_sha256=book, invented=True)
            for look in demo.SCENARIO:
                make_look(desk, look)
                self.done += 1
        except FringewiseError as error:
            self.state, self.words = "failed", str(error)
        else:
            self.state = "ready"


def make_look(desk: Desk, look: demo.DemoLook) -> None:
    """Render one look, take it in, put it to its blade; mark and measure it unless that is left to do."""
    with tempfile.TemporaryDirectory(prefix="fringewise-", ignore_cleanup_errors=True) as place:
        folder = Path(place)
        demo.run_demo(folder_shelf(folder, "mm"), Silent(), [look])
        findings = read_findings(folder / "findings" / f"{look.name}.json")
        taken = [take_in(desk, one) for one in _parcels(folder / "captures" / look.name)]
        inspection = desk.inspection(IDENTITY)
        where = required_look(inspection, demo.STAGE, str(look.blade), LOOK)
        attach(desk, inspection, where, taken)
        if look.blade not in LEFT_TO_DO:
            named = _renamed(findings, look.blade)
            mark_and_measure(desk, desk.inspection(IDENTITY), taken[0].sha256, named, where)


def _parcels(folder: Path) -> Sequence[Any]:
    return [one for one in parcels_at(folder) if not isinstance(one, PassedOver)]


def _renamed(findings: Sequence[Any], blade: int) -> list[Any]:
    """Give findings ids that are free in the whole inspection."""
    from dataclasses import replace  # noqa: PLC0415

    return [replace(one, identity=f"{blade}-{one.identity}") for one in findings]
