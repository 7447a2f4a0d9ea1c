"""The fringe plan as the numbers that the kernels need: least-squares weights, noise factors, limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.special import chdtri

from fringewise.capture.capture import FrameArray, FringeFrames
from fringewise.capture.head import NoiseModel
from fringewise.capture.plan import FringeSet
from fringewise.core.checks import Array

Float32Array = npt.NDArray[np.float32]

LEAST_MODULATION_NOISES: Final = 6.0
"""A pixel is dark where a set's modulation is below this many of its standard deviations …"""
LEAST_MODULATION_SHARE: Final = 1 / 128
"""… or below this share of the camera's full scale."""
MOST_ORDER_RISK: Final = 1e-4
"""A pixel whose fringe order is wrong with more than this probability is flagged."""
CLOSE_CALL_TURNS: Final = 0.4
"""Two sets that disagree by more are doubted whatever the risk: at 0.5 the next fringe fits as well."""
RIM_SIGMAS: Final = 6.0
"""So many standard deviations of the column from the pattern's rim both rims are thought possible."""
RESIDUAL_CHANCE: Final = 1e-9
"""Frames disagree beyond noise where their residuals have less than this chance …"""
RESIDUAL_RIPPLE: Final = 0.08
"""… and exceed what a second harmonic of this share of the modulation makes (a mild camera response)."""

_FOUR_RAD: Final = (0.0, 0.5 * np.pi, np.pi, 1.5 * np.pi)
_WHOLE_RATIO: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Ladder:
    """The column sets from coarse to fine, as arrays.

    Attributes
    ----------
    order : tuple of int
        Which of the sets handed in comes first, second, … from coarse to fine.
    fringes : (S,) float64
    first : (S + 1,) int64
        Set s has the frames first[s] … first[s + 1] − 1.
    solve, model : (F, 3) float32
        Least-squares weights of each frame for A, B cos φ, B sin φ; and the model's row of each frame.
    covariance : (S, 9) float64
        Factors of the covariance (cc, cs, ss) of B cos φ, B sin φ: for the variance at the mean level, for
        gain · B cos φ, for gain · B sin φ.
    four : bool
        Whether the shifts of all sets are 0, 90, 180, 270° in this order.
    whole : bool
        Whether every set has a whole multiple of the coarsest set's fringes.
    """

    order: tuple[int, ...]
    fringes: Array
    first: npt.NDArray[np.int64]
    solve: Float32Array
    model: Float32Array
    covariance: Array
    four: bool
    whole: bool


def climb(sets: Sequence[FringeSet]) -> Ladder:
    """Sort fringe sets from coarse to fine and work out what their fits need.

    Examples
    --------
    >>> import math
    >>> four = tuple(math.radians(d) for d in (0, 90, 180, 270))
    >>> ladder = climb([FringeSet(49, four), FringeSet(1, four), FringeSet(7, four)])
    >>> ladder.order, ladder.whole, ladder.four
    ((1, 2, 0), True, True)
    """
    order = tuple(sorted(range(len(sets)), key=lambda n: sets[n].fringes))
    sorted_sets = [sets[n] for n in order]
    designs = [one.design for one in sorted_sets]
    fringes = np.array([one.fringes for one in sorted_sets])
    ratios = fringes / fringes[0]
    return Ladder(
        order=order,
        fringes=fringes,
        first=np.cumsum([0, *(len(design) for design in designs)]),
        solve=np.concatenate([np.linalg.pinv(design).T for design in designs]).astype(np.float32),
        model=np.concatenate(designs).astype(np.float32),
        covariance=np.array([_covariance_factors(design) for design in designs]),
        four=all(_is_four(one) for one in sorted_sets),
        whole=bool(np.all(np.abs(ratios - np.round(ratios)) < _WHOLE_RATIO * ratios)),
    )


def set_constants(ladder: Ladder) -> Float32Array:
    """Make the kernels' constants of each set (S, SET_CONSTANTS); see `fringewise.phase.kernels`."""
    frames = np.diff(ladder.first)
    spare = frames - 3
    limits = np.array([chdtri(n, RESIDUAL_CHANCE) if n else np.inf for n in spare])
    # A second harmonic h B leaves at most N (h B)² of squares behind (all of it where 4 shifts alias it).
    ripple = frames * RESIDUAL_RIPPLE**2
    close_call = np.full(len(spare), CLOSE_CALL_TURNS)
    close_call[0] = np.inf  # the coarsest set has none to disagree with
    ratio = np.concatenate([[0.0], ladder.fringes[1:] / ladder.fringes[:-1]])
    front = np.column_stack([ladder.fringes, ratio, close_call, limits, ripple])
    return np.hstack([front, ladder.covariance]).astype(np.float32)


def capture_constants(ladder: Ladder, noise: NoiseModel) -> Float32Array:
    """Make the kernels' constants of the capture (CAPTURE_CONSTANTS,)."""
    full = noise.saturation_dn
    return np.array(
        [
            noise.read_dn**2, noise.gain_dn_per_electron, noise.dark_dn, full,
            (LEAST_MODULATION_SHARE * full) ** 2, 1 / LEAST_MODULATION_NOISES**2,
            MOST_ORDER_RISK, RIM_SIGMAS, ladder.whole,
        ],
        dtype=np.float32,
    )  # fmt: skip


def spanned(frame_sets: Sequence[FringeFrames]) -> tuple[FrameArray, npt.NDArray[np.int64], list[FrameArray]]:
    """View all frames as parts of one long array without copying, so that one kernel serves every plan.

    Returns
    -------
    base : 1-D array
        Reaches from the first frame in memory to the last; only the frames in it may be looked at.
    starts : (F,) int64
        Where each frame begins, in the order of the sets.
    kept : list of arrays
        What owns the memory; keep it while `base` is in use.
    """
    kept: list[Any] = [np.ascontiguousarray(one.frames) for one in frame_sets]
    size = kept[0].itemsize
    begins = np.concatenate([_addresses(frames) for frames in kept])
    if np.any((begins - begins.min()) % size):
        kept = [frames.copy() for frames in kept]
        begins = np.concatenate([_addresses(frames) for frames in kept])
    lowest = min(kept, key=lambda frames: frames.ctypes.data)
    starts = (begins - lowest.ctypes.data) // size
    length = int(starts.max()) + kept[0][0].size
    base = np.lib.stride_tricks.as_strided(lowest, shape=(length,), strides=(size,), writeable=False)
    return base, starts, kept


def _addresses(frames: FrameArray) -> npt.NDArray[np.int64]:
    return frames.ctypes.data + frames.strides[0] * np.arange(len(frames), dtype=np.int64)


def _covariance_factors(design: Array) -> list[float]:
    solve = np.linalg.pinv(design)
    cosine, sine = solve[1], solve[2]
    pairs = np.array([cosine * cosine, cosine * sine, sine * sine])
    factors: list[float] = np.concatenate([pairs @ design[:, n] for n in range(3)]).tolist()
    return factors


def _is_four(one: FringeSet) -> bool:
    if len(one.shifts_rad) != len(_FOUR_RAD):
        return False
    apart: Any = np.exp(1j * np.asarray(one.shifts_rad)) - np.exp(1j * np.asarray(_FOUR_RAD))
    return bool(np.all(np.abs(apart) < 1e-9))
