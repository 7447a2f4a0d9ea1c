"""The phase map: for each pixel the pattern column it looks at, how surely, and what speaks against it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import shaped
from fringewise.core.flags import FlagArray

Float32Array = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Motion:
    """Whether the head or the part moved between the frames.

    Attributes
    ----------
    moved : bool
    drift_rad : float
        Estimated phase drift of the finest set from the capture's first to its last frame.
    words : str
        What was seen and what to do, in plain words; says so too where it could not be judged.
    judged : bool
        False where the plan leaves nothing to judge by (one set of 3 shifts).
    """

    moved: bool
    drift_rad: float
    words: str
    judged: bool = True


@dataclass(frozen=True, slots=True)
class PhaseMap:
    """What decoding gives, pixel by pixel (H × W); pixel noise is independent, nothing is smoothed.

    Attributes
    ----------
    column : float32
        Pattern column c (0 … 1) from the finest set, unwrapped; NaN where none could be told.
    column_sigma : float32
        Standard uncertainty of `column` from frame noise; NaN where `column` is.
    modulation : float32
        Fringe amplitude B of the finest set, grey levels.
    mean : float32
        Mean level A of the finest set, grey levels.
    flags : uint16
        Sums of `fringewise.core.flags.Flag`.
    order_risk : float32
        Probability that some unwrapping step took a wrong fringe.
    motion : Motion
    noise_source : str
        Where the noise comes from: ``head``, ``frames' residuals`` or ``phase scatter``.
    """

    column: Float32Array
    column_sigma: Float32Array
    modulation: Float32Array
    mean: Float32Array
    flags: FlagArray
    order_risk: Float32Array
    motion: Motion
    noise_source: str

    def __post_init__(self) -> None:
        shape = self.column.shape
        for name in ("column_sigma", "modulation", "mean", "flags", "order_risk"):
            shaped(name, getattr(self, name), *shape)
