"""Run the decoding kernel over a capture's column sets, on as many threads as numba is set to use."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.capture.capture import FringeFrames
from fringewise.capture.head import Head, NoiseModel
from fringewise.core.bands import in_bands
from fringewise.core.flags import FlagArray
from fringewise.phase.ladder import (
    MOST_ORDER_RISK,
    RIM_SIGMAS,
    Ladder,
    capture_constants,
    set_constants,
    spanned,
)
from fringewise.phase.reach import GRID_SPACING, columns_in_reach

Float32Array = npt.NDArray[np.float32]

USUAL_SETS: Final = 3
"""So many sets of 0, 90, 180, 270° have a kernel of their own."""


@dataclass(frozen=True, slots=True)
class Decoded:
    """What the kernel fills in, each (H, W); `still_open` pixels carry RIM: more than one column fits."""

    column: Float32Array
    sigma: Float32Array
    modulation: Float32Array
    mean: Float32Array
    risk: Float32Array
    flags: FlagArray
    still_open: int


def decode_sets(sets: Sequence[FringeFrames], ladder: Ladder, noise: NoiseModel) -> Decoded:
    """Decode column sets (in the order that `ladder` was made from) with a known noise model."""
    from fringewise.phase.kernels import decode_any_rows, decode_four_rows  # noqa: PLC0415 - numba takes 0.25 s to import

    base, starts, _kept = spanned([sets[n] for n in ladder.order])
    shape = sets[0].frames.shape[1:]
    planes = np.empty((5, *shape), dtype=np.float32)  # one block: the system hands it out in large pages
    flags = np.empty(shape, dtype=np.uint16)
    column, sigma, modulation, mean, risk = planes
    constants, limits = set_constants(ladder), capture_constants(ladder, noise)

    usual = ladder.four and ladder.whole and len(sets) == USUAL_SETS

    def decode_band(top: int, bottom: int) -> int:
        outputs = column, sigma, modulation, mean, risk, flags
        if usual:
            return int(decode_four_rows(base, starts, constants, limits, top, bottom, *outputs))
        plan = ladder.first, ladder.solve, ladder.model, constants, limits
        return int(decode_any_rows(base, starts, *plan, top, bottom, *outputs))

    still_open = sum(in_bands(shape[0], decode_band))
    return Decoded(column, sigma, modulation, mean, risk, flags, still_open)


def settle_rims(
    decoded: Decoded, sets: Sequence[FringeFrames], ladder: Ladder, noise: NoiseModel, head: Head
) -> int:
    """Settle, in place, the pixels that the first pass left open; give how many can't be told.

    Every column that the phases allow is tried against the pattern's extent, against the working range along
    the pixel's ray and, where the sets' fringes are no whole multiples, against the sets' agreement.
    """
    if not decoded.still_open:
        return 0
    from fringewise.phase.candidate_kernels import settle_open  # noqa: PLC0415 - as above

    base, starts, _kept = spanned([sets[n] for n in ladder.order])
    reach = columns_in_reach(head)
    noise_terms = np.array([noise.read_dn**2, noise.gain_dn_per_electron, noise.dark_dn])
    limits = np.array([RIM_SIGMAS, MOST_ORDER_RISK])

    def settle_band(top: int, bottom: int) -> int:
        found: int = settle_open(
            base, starts, ladder.first, ladder.solve, ladder.covariance, ladder.fringes, noise_terms,
            reach, GRID_SPACING, limits, top, bottom, decoded.column, decoded.risk, decoded.flags,
        )  # fmt: skip
        return found

    return sum(in_bands(decoded.column.shape[0], settle_band))
