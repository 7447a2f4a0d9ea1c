"""Run the decoding kernel over a capture's column sets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fringewise.capture.capture import FringeFrames
from fringewise.capture.head import NoiseModel
from fringewise.core.flags import FlagArray
from fringewise.phase.ladder import Ladder, capture_constants, set_constants, spanned

Float32Array = npt.NDArray[np.float32]


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
    from fringewise.core.kernels import PARALLEL_LOCK  # noqa: PLC0415 - numba takes 0.25 s to import
    from fringewise.phase.kernels import decode_rows  # noqa: PLC0415 - as above

    base, starts, _kept = spanned([sets[n] for n in ladder.order])
    shape = sets[0].frames.shape[1:]
    column, sigma, modulation, mean, risk = (np.empty(shape, dtype=np.float32) for _ in range(5))
    flags = np.empty(shape, dtype=np.uint16)
    with PARALLEL_LOCK:
        still_open = decode_rows(
            base, starts, ladder.first, ladder.solve, ladder.model,
            set_constants(ladder), capture_constants(ladder, noise),
            column, sigma, modulation, mean, risk, flags,
        )  # fmt: skip
    return Decoded(column, sigma, modulation, mean, risk, flags, int(still_open))
