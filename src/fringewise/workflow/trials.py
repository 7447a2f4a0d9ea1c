"""Trials: many random rendered cases with known truth, measured and judged by how honest their doubt is.

An honest program passes the bands of `judge` some 99 times in 100 (binomial and chi-square arithmetic; the
median of |error| / U of an honest U = 2 u is 0.337). Withheld cases are counted, not left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.core.progress import Progress, Silent, steps
from fringewise.findings.kind import look_at
from fringewise.findings.registry import measure_finding
from fringewise.workflow.surfaces import make_surface

if TYPE_CHECKING:
    from fringewise.findings.finding import Finding
    from fringewise.findings.kind import Look
    from fringewise.virtual import Scene
    from fringewise.virtual.blocks import BlockKind
    from fringewise.virtual.reliefs import Box
    from fringewise.virtual.sheets import Sheet

_SILENT: Final = Silent()
STANDOFF_MM: Final = (10.0, 24.0)
_NORMAL_95: Final = 1.96
_SCENES_TRIED: Final = 2
_TIP_LOSS_FROM_MM: Final = 17.0

BLOCKS: Final[tuple[BlockKind, ...]] = ("step", "flat", "sphere")
"""Check blocks that a look can show instead of a blade."""

TIPS: Final = ("clearance", "tip_loss")
"""Scenes of their own that a look can show instead: a tip under its casing, a lost tip beside a sound one."""

IDEAL: Final = ("distance", "dent", "area", "offset", "dent")
"""Damages of one ideal trial look."""

JUDGED: Final = {
    "dent": "depth",
    "distance": "straight",
    "offset": "offset",
    "area": "area",
    "crack": "length",
    "path": "length",
    "gouge": "depth",
    "hole": "area",
    "step": "step",
    "sphere": "diameter",
    "edge_nick": "depth",
    "blend": "depth",
    "edge_bend": "displacement",
    "corner_loss": "lost_area",
    "tip_loss": "lost_area",
    "clearance": "gap_least",
}
"""The one quantity of each kind that counts in the pooled judgement."""


@dataclass(frozen=True, slots=True)
class Case:
    """One measured quantity of a trial; `error` and both uncertainties in the quantity's unit.

    `error` is NaN where the finding was withheld.
    """

    kind: str
    quantity: str
    family: str
    standoff_mm: float
    truth: float
    error: float
    standard_uncertainty: float
    expanded_uncertainty: float
    withheld: str = ""


@dataclass(frozen=True, slots=True)
class Judgement:
    """How honest and how good many cases of one sort are.

    Attributes
    ----------
    count, withheld : int
        Cases measured, and cases withheld.
    covered : int
        Cases whose 95 % interval holds the truth.
    rms_normalised : float
        Root of the mean square of error / u about zero.
    median_ratio : float
        Median of |error| / U.
    median_error, median_relative_error, median_expanded : float
        Medians of |error|, |error| / truth and U.
    """

    count: int
    withheld: int
    covered: int
    rms_normalised: float
    median_ratio: float
    median_error: float
    median_relative_error: float
    median_expanded: float

    @property
    def coverage(self) -> float:
        """Share of cases whose 95 % interval holds the truth."""
        return self.covered / max(self.count, 1)


def run_trials(
    looks: int,
    seed: int,
    damages: Sequence[str] = IDEAL,
    *,
    rays_per_pixel: int = 3,
    exposures: int = 1,
    blade: tuple[Sheet, Box] | None = None,
    progress: Progress = _SILENT,
) -> list[Case]:
    """Render, mark and measure `looks` random looks with these damages each.

    Parameters
    ----------
    looks : int
    seed : int
        Of everything: blades, poses, damages, noise, marks.
    damages : sequence of str
        Names of virtual damages on each look; or one kind of check block (`BLOCKS`), or a tip (`TIPS`).
    rays_per_pixel : int
    exposures : int
        How often each look is exposed, with noise and marks of its own each time.
    blade : (sheet, outline), optional
        One blade for all looks, such as one of published coordinates; a random one for each otherwise.
    progress : Progress
    """
    return [
        case
        for number in steps(range(looks), "trial looks", progress, looks)
        for case in _one_look(
            np.random.default_rng([seed, number]), damages, rays_per_pixel, exposures, blade
        )
    ]


def judge(cases: Sequence[Case], kind: str, quantity: str) -> Judgement:
    """Judge the cases of one quantity of a kind."""
    return _judge([one for one in cases if one.kind == kind and one.quantity == quantity])


def judge_pooled(cases: Sequence[Case]) -> Judgement:
    """Judge all kinds together, one quantity a case."""
    return _judge([one for one in cases if JUDGED.get(one.kind) == one.quantity])


def _one_look(
    rng: np.random.Generator,
    damages: Sequence[str],
    rays: int,
    exposures: int,
    blade: tuple[Sheet, Box] | None,
) -> Iterator[Case]:
    from fringewise.virtual import Exposure, cast, render_hits, standard_head, standard_plan  # noqa: PLC0415 - when needed
    from fringewise.workflow.marking import marked_findings  # noqa: PLC0415

    head, standoff = standard_head(), float(rng.uniform(*STANDOFF_MM))
    scene = trial_scene(rng, standoff, list(damages), blade)
    hits = cast(scene, head, rays)
    for _ in range(exposures):
        made = render_hits(hits, standard_plan(), Exposure(), rng)
        look = look_at(make_surface(made.capture), seed=int(rng.integers(1 << 31)))
        yield from cases_on(look, marked_findings(scene, head, rng), scene, standoff)


def cases_on(look: Look, findings: Sequence[Finding], scene: Scene, standoff_mm: float) -> Iterator[Case]:
    """Measure the findings of a look and set them beside the truth."""
    from fringewise.virtual.truth import truths_of  # noqa: PLC0415 - when needed

    truths = truths_of(scene)
    for finding in findings:
        truth = truths[finding.identity]
        result = measure_finding(look, finding)
        measured = {one.name: one for one in result.quantities}
        for name, value in truth.quantities.items():
            one = measured.get(name)
            if one is None:
                why = result.reason or "left out"
                yield Case(truth.kind, name, truth.family, standoff_mm, value, np.nan, np.nan, np.nan, why)
                continue
            doubt = one.standard_uncertainty, one.expanded_uncertainty
            yield Case(truth.kind, name, truth.family, standoff_mm, value, one.value - value, *doubt)


def trial_scene(
    rng: np.random.Generator,
    standoff_mm: float,
    damages: list[str],
    blade: tuple[Sheet, Box] | None = None,
) -> Scene:
    """Draw a scene; where the view is too near for all damages, the last ones are left out."""
    from fringewise.virtual.blocks import block_scene  # noqa: PLC0415 - when needed
    from fringewise.virtual.casings import clearance_scene, tip_loss_scene  # noqa: PLC0415
    from fringewise.virtual.scenes import random_blade_scene  # noqa: PLC0415

    for block in BLOCKS:
        if damages == [block]:
            return block_scene(rng, standoff_mm, block)
    if damages == ["clearance"]:
        return clearance_scene(rng, standoff_mm)
    if damages == ["tip_loss"]:
        return tip_loss_scene(rng, max(standoff_mm, _TIP_LOSS_FROM_MM))
    while True:
        for _ in range(_SCENES_TRIED):
            try:
                return random_blade_scene(rng, standoff_mm, damages, blade=blade)
            except ValueError:
                continue
        if len(damages) == 1:
            raise ValueError(f"no room for {damages[0]} at {standoff_mm:.1f} mm")
        damages = damages[:-1]


def _judge(cases: Sequence[Case]) -> Judgement:
    measured = [one for one in cases if not one.withheld]
    error = np.array([one.error for one in measured])
    standard = np.array([one.standard_uncertainty for one in measured])
    expanded = np.array([one.expanded_uncertainty for one in measured])
    truth = np.array([one.truth for one in measured])
    if not measured:
        return Judgement(0, len(cases), 0, np.nan, np.nan, np.nan, np.nan, np.nan)
    return Judgement(
        count=len(measured),
        withheld=len(cases) - len(measured),
        covered=int(np.sum(np.abs(error) <= _NORMAL_95 * standard)),
        rms_normalised=float(np.sqrt(np.mean((error / standard) ** 2))),
        median_ratio=float(np.median(np.abs(error) / expanded)),
        median_error=float(np.median(np.abs(error))),
        median_relative_error=_median_share(error, truth),
        median_expanded=float(np.median(expanded)),
    )


def _median_share(error: Array, truth: Array) -> float:
    """Median of |error| / truth where there is something to compare with."""
    known = truth != 0
    return float(np.median(np.abs(error[known] / truth[known]))) if known.any() else float("nan")
