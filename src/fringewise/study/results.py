"""What a study found, by whichever method; the method is always named."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

Method = Literal["average-range", "ANOVA"]
_CATEGORIES: Final = 1.41


@dataclass(frozen=True, slots=True)
class StudyResult:
    """Standard deviations of a study in its unit, and what follows from them.

    Attributes
    ----------
    method : {"average-range", "ANOVA"}
    unit : str
    repeatability : float
        Of one person measuring one feature again (equipment variation, EV).
    reproducibility : float
        Between people (appraiser variation, AV), their interaction with features included.
    features : float
        Between the features themselves (part variation, PV).
    notes : tuple of str
        What the method decided or noticed.
    """

    method: Method
    unit: str
    repeatability: float
    reproducibility: float
    features: float
    notes: tuple[str, ...] = ()

    @property
    def measuring(self) -> float:
        """Repeatability and reproducibility together (GRR)."""
        return math.hypot(self.repeatability, self.reproducibility)

    @property
    def total(self) -> float:
        """Measuring and features together (TV)."""
        return math.hypot(self.measuring, self.features)

    def per_cent(self, part: float) -> float:
        """Share of a standard deviation in the total, in per cent; such shares don't add up to 100."""
        return 100 * part / self.total if self.total > 0 else math.nan

    @property
    def grr_per_cent(self) -> float:
        """%GRR: measuring's share of the total."""
        return self.per_cent(self.measuring)

    @property
    def categories(self) -> int:
        """How many sorts of features the measuring can tell apart (ndc), 1 or more."""
        if self.measuring == 0:
            return 1 if self.features == 0 else 1_000
        return max(1, math.floor(_CATEGORIES * self.features / self.measuring))


def placing_px(found: StudyResult) -> float:
    """Give the scatter of placing a mark that a study of pixel coordinates found.

    For ``placing_px`` of findings (format 3) instead of 0.7 px. The readings are one coordinate of the same
    marks (features), placed by several people again and again; both their own scatter and that between them
    count, since another person may mark next time.

    Raises
    ------
    ValueError
        The study's unit is not px: a scatter in mm can't be told apart from the capture's own.

    Examples
    --------
    >>> placing_px(StudyResult("ANOVA", "px", 0.3, 0.4, 20.0))
    0.5
    """
    if found.unit != "px":
        raise ValueError(
            f"placing comes from a study of mark coordinates in px (this one is in {found.unit})"
        )
    return found.measuring
