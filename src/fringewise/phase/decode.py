"""Decode a capture: from frames to the pattern column that each pixel looks at, how surely, and its risks."""

from __future__ import annotations

import numpy as np

from fringewise.capture.capture import Capture
from fringewise.capture.head import NoiseModel
from fringewise.core.errors import refuse
from fringewise.core.flags import Flag
from fringewise.core.progress import Progress, Silent
from fringewise.phase.ladder import Ladder, climb
from fringewise.phase.motion import judge_motion
from fringewise.phase.noise import estimate_noise
from fringewise.phase.phase_map import Motion, PhaseMap
from fringewise.phase.rows import Decoded, decode_sets, settle_rims

_SILENT = Silent()


def decode(capture: Capture, progress: Progress = _SILENT) -> PhaseMap:
    """Find the pattern column of each pixel of a capture, with its standard uncertainty and its risks.

    Sets are sorted from coarse to fine and each is unwrapped by the one before it: order
    k = round(f · c − φ / 2π), wrong with probability 2 Q(0.5/σ) where σ² is the variance of that difference
    in turns. Column and sigma come from the finest set: var c = var φ / (2π · fringes)².

    Parameters
    ----------
    capture : Capture
        With one or more sets of fringes across the columns, in any order; sets across rows are not used.
    progress : Progress, optional

    Returns
    -------
    PhaseMap
        (H, W). Bad pixels are flagged; where the fringes are too weak the column is NaN.

    Raises
    ------
    InputRefused
        The capture has no fringe sets across the columns.
    """
    sets = capture.column_sets
    if not sets or capture.head is None:
        raise refuse("capture", "fringe_sets", "must hold at least one set across the columns to be measured")
    progress.step("decoding", 0, 1)
    ladder = climb([one.fringe_set for one in sets])
    noise, noise_source = _noise(capture, ladder)
    decoded = decode_sets(sets, ladder, noise)
    settle_rims(decoded, sets, ladder, noise, capture.head)
    progress.step("decoding", 1, 1)
    motion = judge_motion(capture, ladder, noise, decoded)
    if motion.moved:
        decoded.flags[...] |= np.uint16(Flag.MOVED)
    return _phase_map(decoded, motion, noise_source)


def _noise(capture: Capture, ladder: Ladder) -> tuple[NoiseModel, str]:
    if capture.head is not None and capture.head.noise is not None:
        return capture.head.noise, "head"
    return estimate_noise(capture.column_sets, ladder, capture.bits)


def _phase_map(decoded: Decoded, motion: Motion, noise_source: str) -> PhaseMap:
    return PhaseMap(
        column=decoded.column,
        column_sigma=decoded.sigma,
        modulation=decoded.modulation,
        mean=decoded.mean,
        flags=decoded.flags,
        order_risk=decoded.risk,
        motion=motion,
        noise_source=noise_source,
    )
