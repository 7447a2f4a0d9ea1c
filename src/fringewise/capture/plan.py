"""The fringe plan: which patterns were shown, as data that the decoding interprets."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from fringewise.core.checks import Array, finite, positive

Across = Literal["columns", "rows"]

_LEAST_SHIFTS = 3


@dataclass(frozen=True, slots=True)
class FringeSet:
    """One pattern shown at several phase shifts.

    A pixel that looks at pattern coordinate c (0 … 1) sees I = A + B cos(2π · fringes · c + shift).

    Attributes
    ----------
    fringes : float
        Number of periods across the pattern; any real number above 0.
    shifts_rad : tuple of float
        The shift of each frame; 3 or more, at any angles that can be told apart.
    across : {"columns", "rows"}
        Which coordinate of the pattern the fringes count.

    Examples
    --------
    >>> import math
    >>> FringeSet(49, tuple(math.radians(d) for d in (0, 90, 180, 270))).even
    True
    """

    fringes: float
    shifts_rad: tuple[float, ...]
    across: Across = "columns"

    def __post_init__(self) -> None:
        positive("fringes", self.fringes)
        if len(self.shifts_rad) < _LEAST_SHIFTS:
            raise ValueError(f"a fringe set needs 3 or more shifts (found {len(self.shifts_rad)})")
        for shift in self.shifts_rad:
            finite("a shift", shift)
        if np.linalg.cond(self.design) > 1e4:
            raise ValueError(
                "the shifts don't tell the phase: three or more must differ by more than a little"
            )

    @property
    def design(self) -> Array:
        """Matrix M (N × 3) of the frames' model I = M (A, B cos φ, B sin φ)."""
        shifts = np.asarray(self.shifts_rad)
        return np.column_stack([np.ones_like(shifts), np.cos(shifts), -np.sin(shifts)])

    @property
    def even(self) -> bool:
        """Whether the shifts are spread evenly over whole turns, so that sums replace least squares."""
        normal = self.design.T @ self.design
        n = len(self.shifts_rad)
        return bool(np.allclose(normal, np.diag([n, n / 2, n / 2]), atol=1e-9 * n))
