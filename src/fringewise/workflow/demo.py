"""The demo: an invented stage of blades with invented damage, rendered, kept, read back and measured.

Everything in it is invented: works, engine, stage, blades, damage. What is shown is real: the frames are
written as a head would write them, read back from their files, and measured by the same path as any others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Final

import numpy as np

from fringewise.core.measured import Measured
from fringewise.core.progress import Progress, steps
from fringewise.findings.finding import Finding, FindingResult
from fringewise.workflow.measure import Measurement, measure
from fringewise.workflow.ports import Shelf

STAGE: Final = "compressor 3"
PART: Final = "compressor 3 blade"
BLADES: Final = 36
ENGINE: Final = "D-0007, an invented small gas turbine"
VIEWED: Final = "aft looking forward"

_SEED: Final = 20260314
_RAYS_PER_PIXEL: Final = 5
_APART: Final = timedelta(minutes=4)


@dataclass(frozen=True, slots=True)
class DemoLook:
    """One look of the scenario: which blade, from how far, and what is on it (names of virtual damages)."""

    blade: int
    standoff_mm: float
    damages: tuple[str, ...]

    @property
    def name(self) -> str:
        """What the look is called in files."""
        return f"blade-{self.blade:02d}"


SCENARIO: Final = (
    DemoLook(7, 12.5, ("cap dent", "distance")),
    DemoLook(12, 15.0, ("rimmed dent", "area")),
    DemoLook(21, 18.0, ("long dent", "offset")),
    DemoLook(30, 21.0, ("flat dent", "distance")),
)


@dataclass(frozen=True, slots=True)
class DemoRow:
    """A quantity of the demo beside what is true of it; `measured` is absent where it was not had."""

    look: DemoLook
    result: FindingResult
    quantity: str
    truth: float
    measured: Measured | None

    @property
    def error(self) -> float | None:
        """Measured less true, in the quantity's unit."""
        return None if self.measured is None else self.measured.value - self.truth

    @property
    def within(self) -> bool:
        """Whether the truth lies within ± U of what was measured."""
        return (
            self.measured is not None
            and abs(self.measured.value - self.truth) <= self.measured.expanded_uncertainty
        )


@dataclass(frozen=True, slots=True)
class DemoOutcome:
    """What the demo made: each look's measurement, and the rows of its table."""

    measurements: tuple[tuple[DemoLook, Measurement], ...]
    rows: tuple[DemoRow, ...]


def run_demo(shelf: Shelf, progress: Progress, scenario: Sequence[DemoLook] = SCENARIO) -> DemoOutcome:
    """Render every look of the scenario, keep it, read it back, measure it.

    Parameters
    ----------
    shelf : Shelf
        Where captures, findings, results and pictures are kept.
    progress : Progress
    scenario : sequence of DemoLook
    """
    measurements, rows = [], []
    for number, look in enumerate(steps(scenario, "looks of the demo", progress, len(scenario))):
        truths = _render(look, number, shelf, progress)
        capture, findings = shelf.capture(look.name), shelf.findings(look.name)
        made = measure(capture, findings, where=look.name, seed=_SEED, progress=progress)
        shelf.keep_measurement(look.name, made)
        measurements.append((look, made))
        rows += [row for result in made.results for row in _rows(look, result, truths)]
    return DemoOutcome(tuple(measurements), tuple(rows))


def _render(look: DemoLook, number: int, shelf: Shelf, progress: Progress) -> dict[str, dict[str, float]]:
    """Render a look, keep capture, marks and truth; give the true quantities by finding."""
    from fringewise.virtual import Exposure, cast, render_hits, standard_head, standard_plan  # noqa: PLC0415
    from fringewise.virtual.rendering import INVENTED_TIME  # noqa: PLC0415 - kernels are imported when needed
    from fringewise.virtual.scenes import random_blade_scene  # noqa: PLC0415
    from fringewise.virtual.truth import truths_of  # noqa: PLC0415
    from fringewise.workflow.marking import marked_findings  # noqa: PLC0415

    rng = np.random.default_rng([_SEED, look.blade])
    head = standard_head()
    scene = random_blade_scene(rng, look.standoff_mm, look.damages)
    hits = cast(scene, head, _RAYS_PER_PIXEL, progress)
    taken = INVENTED_TIME + number * _APART
    made = render_hits(hits, standard_plan(), Exposure(), rng, captured_at=taken, probe=head.probes[0])
    note = f"invented: demo, {ENGINE}, {STAGE}, blade {look.blade}"
    shelf.keep_capture(look.name, replace(made.capture, note=note))
    findings = [_placed(one, look) for one in marked_findings(scene, head, rng)]
    shelf.keep_findings(look.name, findings)
    shelf.keep_truth(look.name, dict(scene.truths))
    return {name: dict(truth.quantities) for name, truth in truths_of(scene).items()}


def _placed(finding: Finding, look: DemoLook) -> Finding:
    return replace(
        finding,
        part=PART,
        stage=STAGE,
        item=str(look.blade),
        whole_extent_in_view="yes",
        note="invented damage of the demo",
    )


def _rows(look: DemoLook, result: FindingResult, truths: dict[str, dict[str, float]]) -> list[DemoRow]:
    measured = {one.name: one for one in result.quantities}
    true = truths[result.finding.identity]
    return [DemoRow(look, result, name, value, measured.get(name)) for name, value in true.items()]
