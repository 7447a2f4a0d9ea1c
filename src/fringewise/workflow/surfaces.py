"""From a capture to a surface, and what a person should know of a capture before measuring on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from fringewise.capture.capture import Capture
from fringewise.core.errors import NotMeasurable
from fringewise.core.flags import FLAG_TABLE, Flag
from fringewise.core.progress import Progress, Silent
from fringewise.surface.surface import Surface

LEAST_VALID: Final = 0.02
"""With a smaller share of the photo a capture is not worth measuring on."""

_SILENT: Final = Silent()


def make_surface(capture: Capture, progress: Progress = _SILENT) -> Surface:
    """Make the surface of a capture: decode its frames and place a point for each pixel.

    Parameters
    ----------
    capture : Capture
    progress : Progress, optional

    Raises
    ------
    NotMeasurable
        The capture holds nothing that depth could be told from.
    """
    from fringewise.phase import decode  # noqa: PLC0415 - kernels are imported when they are needed
    from fringewise.surface import triangulate  # noqa: PLC0415 - likewise

    if not capture.column_sets:
        raise NotMeasurable(
            "this look has no fringe sets across the columns: it is evidence, nothing can be measured on it"
        )
    progress.step("surface", 0, 2)
    phase_map = decode(capture)
    progress.step("surface", 1, 2)
    surface = triangulate(phase_map, capture)
    progress.step("surface", 2, 2)
    return surface


@dataclass(frozen=True, slots=True)
class FlagShare:
    """A flag in words, whether it bars measuring, and the share of the photo's pixels that have it."""

    words: str
    bars_use: bool
    share: float


@dataclass(frozen=True, slots=True)
class CaptureCheck:
    """What a person should know of a capture before measuring on it.

    Attributes
    ----------
    valid_fraction : float
        Share of the photo's pixels with a point that may be measured on.
    standoff_mm : float
        Median z of those points; NaN where there are none.
    range_mm : tuple of float
        z that 5 % and 95 % of them lie below.
    point_sigma_mm : float
        Median standard uncertainty of one point along its ray, from frame noise alone.
    flags : tuple of FlagShare
        Those that any pixel has.
    motion : str
        Whether head or part moved between the frames, in words.
    noise_source : str
        Where the noise model comes from.
    faults : tuple of str
        What makes the capture unfit; empty for a sound one.
    not_known : tuple of str
        What can't be told of it, such as dates that its head does not state.
    """

    valid_fraction: float
    standoff_mm: float
    range_mm: tuple[float, float]
    point_sigma_mm: float
    flags: tuple[FlagShare, ...]
    motion: str
    noise_source: str
    faults: tuple[str, ...]
    not_known: tuple[str, ...]


def check_capture(capture: Capture, surface: Surface) -> CaptureCheck:
    """Judge a capture by itself, its head and the surface made of it."""
    usable = surface.usable
    depth = surface.xyz_mm[..., 2][usable].astype(np.float64)
    some = depth.size > 0
    near, middle, far = np.percentile(depth, [5, 50, 95]) if some else (np.nan, np.nan, np.nan)
    return CaptureCheck(
        valid_fraction=surface.valid_fraction,
        standoff_mm=float(middle),
        range_mm=(float(near), float(far)),
        point_sigma_mm=float(np.median(surface.sigma_mm[usable])) if some else np.nan,
        flags=_flag_shares(surface),
        motion=surface.motion.words if surface.motion else "motion was not judged",
        noise_source=surface.noise_source,
        faults=(*_faults_of_head(capture), *_faults_of_surface(surface)),
        not_known=tuple(_not_known(capture, surface)),
    )


def _flag_shares(surface: Surface) -> tuple[FlagShare, ...]:
    shares = [(row, float(np.mean((surface.flags & row.flag) != 0))) for row in FLAG_TABLE]
    return tuple(FlagShare(row.words, row.bars_use, share) for row, share in shares if share > 0)


def _faults_of_head(capture: Capture) -> list[str]:
    head, faults = capture.head, []
    if head is None:
        return []
    day = capture.captured_at.date()
    if head.valid_until is not None and head.valid_until < day:
        faults.append(f"the head's calibration ran out on {head.valid_until}: have it calibrated again")
    if head.calibrated_on is not None and head.calibrated_on > day:
        faults.append(f"the capture is older than the head's calibration of {head.calibrated_on}")
    if capture.probe and head.probes and capture.probe not in head.probes:
        probes = ", ".join(head.probes)
        faults.append(f"the head is not calibrated with probe {capture.probe}, only with {probes}")
    return faults


def _faults_of_surface(surface: Surface) -> list[str]:
    faults = []
    if surface.motion is not None and surface.motion.moved:
        faults.append("the head or the part moved between the frames; see under Motion")
    if surface.valid_fraction < LEAST_VALID:
        share = f"{100 * surface.valid_fraction:.1f} %"
        faults.append(f"only {share} of the photo has a surface to measure on: {_commonest(surface)}")
    return faults


def _commonest(surface: Surface) -> str:
    """Give the words of the barring flag that most pixels have, other than that they have no surface."""
    rows = [row for row in FLAG_TABLE if row.bars_use and row.flag != Flag.NO_SURFACE]
    shares = [float(np.mean((surface.flags & row.flag) != 0)) for row in rows]
    return rows[int(np.argmax(shares))].words if max(shares) > 0 else "look again, nearer"


def _not_known(capture: Capture, surface: Surface) -> list[str]:
    head, unknown = capture.head, []
    if head is None:
        return ["the head"]
    if head.valid_until is None:
        unknown.append("until when the head's calibration is valid: head.json gives no date")
    if not capture.probe:
        unknown.append("the probe: capture.json names none")
    elif not head.probes:
        unknown.append("the probes that the head is calibrated with: head.json names none")
    if head.covariance is None:
        unknown.append(
            "how well the head is calibrated: head.json gives no covariance; no result includes it"
        )
    if head.noise is None:
        unknown.append(
            f"the camera's noise: head.json gives none, it was told from the {surface.noise_source}"
        )
    return unknown
