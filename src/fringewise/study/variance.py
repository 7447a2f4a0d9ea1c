"""Repeatability and reproducibility by analysis of variance: two random factors and their interaction.

With mean squares of features, people, their interaction and the repeats (n features, k people, r repeats)::

    EV² = MS_e      INT² = (MS_i − MS_e)/r      AV² = (MS_p − MS_i)/(n r)      PV² = (MS_f − MS_i)/(k r)

Where the interaction is not significant it is pooled with the repeats, and MS_i = MS_e.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from scipy.special import fdtrc

from fringewise.study.readings import StudyTable
from fringewise.study.results import StudyResult

POOLED_ABOVE: Final = 0.05
"""Probability of so large an interaction by chance above which it is pooled with the repeats."""


@dataclass(frozen=True, slots=True)
class Squares:
    """Sums of squares and degrees of freedom of a study.

    Attributes
    ----------
    features, people, interaction, repeats : (float, int)
        Sum of squares and its degrees of freedom.
    """

    features: tuple[float, int]
    people: tuple[float, int]
    interaction: tuple[float, int]
    repeats: tuple[float, int]

    @property
    def interaction_probability(self) -> float:
        """Probability of so large an interaction by chance."""
        (square, free), (rest, rest_free) = self.interaction, self.repeats
        if rest == 0:
            return 1.0 if square == 0 else 0.0
        return float(fdtrc(free, rest_free, (square / free) / (rest / rest_free)))


def squares_of(table: StudyTable) -> Squares:
    """Split a study's sum of squares.

    Examples
    --------
    >>> import numpy as np
    >>> values = np.arange(8.0).reshape(2, 2, 2)
    >>> squares_of(StudyTable(("1", "2"), ("A", "B"), "mm", values)).features
    (32.0, 1)
    """
    values = table.values
    n, k, r = values.shape
    mean = values.mean()
    of_features, of_people, of_cells = values.mean(axis=(1, 2)), values.mean(axis=(0, 2)), values.mean(axis=2)
    mixed = of_cells - of_features[:, None] - of_people[None, :] + mean
    return Squares(
        (float(k * r * ((of_features - mean) ** 2).sum()), n - 1),
        (float(n * r * ((of_people - mean) ** 2).sum()), k - 1),
        (float(r * (mixed**2).sum()), (n - 1) * (k - 1)),
        (float(((values - of_cells[:, :, None]) ** 2).sum()), n * k * (r - 1)),
    )


def by_anova(table: StudyTable) -> StudyResult:
    """Judge a study by analysis of variance; the notes say what became of the interaction.

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(1)
    >>> values = rng.normal(0, 1.0, (30, 1, 1)) + rng.normal(0, 0.1, (30, 3, 3))
    >>> names = tuple(str(n) for n in range(30))
    >>> round(by_anova(StudyTable(names, ("A", "B", "C"), "mm", values)).repeatability, 2)
    0.1
    """
    found = squares_of(table)
    n, k, r = table.values.shape
    mean = {
        name: square / free
        for name, (square, free) in (
            ("features", found.features),
            ("people", found.people),
            ("interaction", found.interaction),
            ("repeats", found.repeats),
        )
    }
    probability = found.interaction_probability
    pooled = probability > POOLED_ABOVE
    repeats = mean["repeats"]
    if pooled:
        square = found.interaction[0] + found.repeats[0]
        repeats = square / (found.interaction[1] + found.repeats[1])
    beside = repeats if pooled else mean["interaction"]
    people = max((mean["people"] - beside) / (n * r), 0.0)
    interaction = 0.0 if pooled else max((mean["interaction"] - repeats) / r, 0.0)
    parts = max((mean["features"] - beside) / (k * r), 0.0)
    kept = "is pooled with the repeats" if pooled else "counts with the people"
    note = f"interaction of people and features: probability {probability:.3f}, it {kept}"
    reproducibility = math.sqrt(people + interaction)
    return StudyResult("ANOVA", table.unit, math.sqrt(repeats), reproducibility, math.sqrt(parts), (note,))
