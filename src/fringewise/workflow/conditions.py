"""The conditions of the trials' table, as data, and trials under each of them on the same looks.

The levels were written down before the first run. A look is cast once and exposed anew under each condition,
with noise and marks of its own each time.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from fringewise.capture.head import Head, NoiseModel
from fringewise.core.progress import Progress, Silent, steps
from fringewise.findings.kind import look_at
from fringewise.workflow.surfaces import make_surface
from fringewise.workflow.trial_heads import HeadDoubt, doubtful_head, wrong_head
from fringewise.workflow.trials import IDEAL, STANDOFF_MM, Case, cases_on, trial_scene

if TYPE_CHECKING:
    from fringewise.virtual import Exposure, Hits, Pose, Scene

_SILENT: Final = Silent()


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition.

    Attributes
    ----------
    name : str
        In the table.
    words : str
        What it is, with its level.
    exposure : mapping
        What of `Exposure` is not as usual.
    shifts : int
        Frames of each set.
    shake_mm : float
        Root mean square of how far the part moves from one frame to the next.
    noise : float
        How many times the usual noise; the head states what it has.
    head : {"diagonal", "full"}, optional
        Measured with a head that is off by a draw from its own stated covariance.
    states : {"all", "nothing", "no cross terms"}
        What such a head states of its covariance.
    """

    name: str
    words: str
    exposure: dict[str, Any] = field(default_factory=dict)
    shifts: int = 4
    shake_mm: float = 0.0
    noise: float = 1.0
    head: HeadDoubt | None = None
    states: Literal["all", "nothing", "no cross terms"] = "all"


CONDITIONS: Final = (
    Condition("ideal", "nothing wrong"),
    Condition("head off, diagonal", "head off by a draw from its stated covariance", head="diagonal"),
    Condition("head off, full", "the same, covariance of a calibration from a flat target", head="full"),
    Condition("gloss", "mirror-like lobe 20 times the diffuse light, exposed for that at half level",
              {"gloss": 20.0, "level_share": 0.2, "unsaturated": 0.0}),
    Condition("saturated", "5 % of the part saturated", {"level_share": 4.0, "unsaturated": 0.95}),
    Condition("soot", "cloudy deposit of contrast 0.5", {"soot": 0.5}),
    Condition("shake", "5 µm between frames", shake_mm=0.005),
    Condition("gamma, 4 shifts", "response of gamma 1.05, its ripple stated by the head", {"gamma": 1.05}),
    Condition("gamma, 3 shifts", "the same with three shifts", {"gamma": 1.05}, shifts=3),
    Condition("three shifts", "three shifts only", shifts=3),
    Condition("noise × 3", "three times the noise, as the head states it", noise=3.0),
    Condition("light / 3", "a third of the light", {"level_share": 0.4 / 3}),
)  # fmt: skip

LESSONS: Final = (
    Condition(
        "nothing stated", "head off, diagonal; no covariance stated", head="diagonal", states="nothing"
    ),
    Condition(
        "no cross terms",
        "head off, full; its covariance stated without cross terms",
        head="full",
        states="no cross terms",
    ),
)
"""What comes of a covariance that is left out, or stated without its cross terms; not part of the table."""

_FRAMES_OF_PHOTO: Final = 1
_RIPPLE_PHASES: Final = 720


def run_conditions(
    looks: int,
    seed: int,
    conditions: Sequence[Condition] = CONDITIONS,
    damages: Sequence[str] = IDEAL,
    *,
    rays_per_pixel: int = 3,
    draws: int = 10_000,
    progress: Progress = _SILENT,
) -> dict[str, list[Case]]:
    """Measure the same looks under each condition; cases by the condition's name.

    Parameters
    ----------
    looks : int
    seed : int
        Of everything: blades, poses, damages, noise, marks, heads.
    conditions : sequence of Condition
    damages : sequence of str
        Names of virtual damages on each look.
    rays_per_pixel : int
    draws : int
        Of the Monte Carlo route; 0 leaves it out.
    progress : Progress
    """
    from fringewise.virtual import cast, standard_head  # noqa: PLC0415 - when needed

    found: dict[str, list[Case]] = {one.name: [] for one in conditions}
    for number in steps(range(looks), "trial looks", progress, looks):
        rng = np.random.default_rng([seed, number])
        standoff = float(rng.uniform(*STANDOFF_MM))
        scene = trial_scene(rng, standoff, list(damages))
        hits = cast(scene, standard_head(), rays_per_pixel)
        for place, condition in enumerate(conditions):
            own = np.random.default_rng([seed, number, place])
            found[condition.name].extend(_measured(hits, scene, standoff, condition, own, draws))
    return found


def _measured(
    hits: Hits, scene: Scene, standoff_mm: float, condition: Condition, rng: np.random.Generator, draws: int
) -> Iterator[Case]:
    from fringewise.virtual import render_hits, standard_plan  # noqa: PLC0415 - when needed
    from fringewise.workflow.marking import marked_findings  # noqa: PLC0415

    exposure, stated = set_up(hits.head, condition, rng)
    made = render_hits(hits, standard_plan(condition.shifts), exposure, rng, stated_head=stated)
    look = replace(look_at(make_surface(made.capture), seed=int(rng.integers(1 << 31))), draws=draws)
    return cases_on(look, marked_findings(scene, hits.head, rng), scene, standoff_mm)


def set_up(true: Head, condition: Condition, rng: np.random.Generator) -> tuple[Exposure, Head]:
    """Give how a condition exposes, and the head as its calibration states it."""
    from fringewise.virtual import Exposure  # noqa: PLC0415 - when needed

    stated = true
    if condition.noise != 1.0 and true.noise is not None:
        stated = replace(stated, noise=_times(true.noise, condition.noise))
    exposure = Exposure(**condition.exposure, noise=stated.noise)
    if exposure.gamma != 1.0:
        ripple = response_ripple(exposure.gamma, exposure.contrast, condition.shifts)
        stated = replace(stated, phase_ripple_rad=ripple)
    if condition.shake_mm:
        exposure = replace(exposure, shake=_jitter(condition, rng))
    if condition.head is not None:
        stated = _as_stated(wrong_head(doubtful_head(stated, condition.head), rng), condition)
    return exposure, stated


def _as_stated(head: Head, condition: Condition) -> Head:
    if condition.states == "nothing":
        return replace(head, covariance=None)
    if condition.states == "no cross terms" and head.covariance is not None:
        alone = np.diag(np.diag(head.covariance.matrix))
        return replace(head, covariance=replace(head.covariance, matrix=alone))
    return head


def response_ripple(gamma: float, contrast: float, shifts: int) -> float:
    """Root mean square of the phase error (rad) that a response I^gamma leaves with even shifts.

    Examples
    --------
    >>> response_ripple(2.0, 1.0, 4) < 1e-12, round(response_ripple(1.5, 1.0, 3), 4)
    (True, 0.0983)
    """
    phase = 2 * np.pi * np.arange(_RIPPLE_PHASES) / _RIPPLE_PHASES
    turns = 2 * np.pi * np.arange(shifts) / shifts
    level = ((1 + contrast * np.cos(phase[:, None] + turns)) / 2) ** gamma
    seen = np.arctan2(-(level * np.sin(turns)).sum(axis=1), (level * np.cos(turns)).sum(axis=1))
    error = np.angle(np.exp(1j * (seen - phase)))
    return float(np.sqrt(np.mean(error**2)))


def _times(noise: NoiseModel, factor: float) -> NoiseModel:
    return replace(
        noise,
        read_dn=factor * noise.read_dn,
        gain_dn_per_electron=factor**2 * noise.gain_dn_per_electron,
    )


def _jitter(condition: Condition, rng: np.random.Generator) -> tuple[Pose, ...]:
    """Poses of each frame and the photo, each off by a draw of its own."""
    from fringewise.virtual import Pose, standard_plan  # noqa: PLC0415 - when needed

    frames = sum(len(one.shifts_rad) for one in standard_plan(condition.shifts)) + _FRAMES_OF_PHOTO
    sigma = condition.shake_mm / math.sqrt(6)  # two frames, three axes
    return tuple(Pose(offset) for offset in rng.normal(0.0, sigma, (frames, 3)))
