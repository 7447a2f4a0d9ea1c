"""Lives by the Paris law: a study for static parts with the operator's constants, apart from verdicts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from fringewise.core.errors import refuse

ROTOR_WORDS: Final = ("rotor", "blade", "disk", "disc", "blisk", "impeller", "bucket")
"""Names of parts that turn: no life is given for them, as a vibration crack can run in one flight."""
CAUTION: Final = "A study with the operator's constants. It is no verdict and gives no interval."

_EQUAL_TO_TWO: Final = 1e-9


@dataclass(frozen=True, slots=True)
class ParisLaw:
    """Crack growth da/dN = C (Y Δσ √(π a))^m, with a in m, Δσ in MPa and ΔK in MPa √m.

    Attributes
    ----------
    coefficient : float
        C, in m per cycle and (MPa √m)^m.
    exponent : float
        m.
    geometry : float
        Y.
    source : str
        Where the operator has the constants from.
    """

    coefficient: float
    exponent: float
    geometry: float = 1.0
    source: str = ""

    def __post_init__(self) -> None:
        for name in ("coefficient", "exponent", "geometry"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise ValueError(f"the {name} must be greater than 0 (found {value})")


def paris_life(law: ParisLaw, start_m: float, end_m: float, stress_range_mpa: float) -> float:
    """Give the cycles from one crack length to another in closed form.

    N = (a₁^(1−m/2) − a₀^(1−m/2)) / (C (Y Δσ √π)^m (1 − m/2)), and ln(a₁/a₀) / (C (Y Δσ)² π) for m = 2.

    Examples
    --------
    >>> round(paris_life(ParisLaw(1e-11, 3.0), 0.001, 0.010, 100.0))
    776634
    """
    if not (0 < start_m <= end_m and math.isfinite(end_m)):
        raise ValueError(f"crack lengths must be above 0 and rise (found {start_m} to {end_m})")
    if not (math.isfinite(stress_range_mpa) and stress_range_mpa > 0):
        raise ValueError(f"the stress range must be greater than 0 (found {stress_range_mpa})")
    try:
        cycles = _cycles(law, start_m, end_m, stress_range_mpa)
    except (OverflowError, ZeroDivisionError):
        cycles = math.inf
    if not math.isfinite(cycles) or (cycles <= 0 and start_m < end_m):
        raise ValueError(
            f"no life can be worked out from these constants: check C, its unit and m "
            f"(found C = {law.coefficient:g}, m = {law.exponent:g}, {stress_range_mpa:g} MPa)"
        )
    return cycles


def _cycles(law: ParisLaw, start_m: float, end_m: float, stress_range_mpa: float) -> float:
    m = law.exponent
    rate = law.coefficient * (law.geometry * stress_range_mpa * math.sqrt(math.pi)) ** m
    if abs(m - 2) < _EQUAL_TO_TWO:
        return float(math.log(end_m / start_m) / rate)
    power = 1 - m / 2
    return float((end_m**power - start_m**power) / (rate * power))


def life_of_part(
    part: str,
    static: Literal["yes", "no", "not known"],
    law: ParisLaw,
    start_m: float,
    end_m: float,
    stress_range_mpa: float,
) -> float:
    """Give a Paris-law life of a static part; refused for parts that turn, or of which it is not known.

    Raises
    ------
    InputRefused
        The part turns, or nobody said that it does not.

    Examples
    --------
    >>> round(life_of_part("exhaust frame", "yes", ParisLaw(1e-11, 4.0), 0.001, 0.010, 100.0))
    91189
    """
    named = next((word for word in ROTOR_WORDS if word in part.casefold()), "")
    if static != "yes" or named:
        rule = "must be a static part: a vibration crack in a part that turns can run in one flight"
        raise refuse("part", "", rule, part)
    return paris_life(law, start_m, end_m, stress_range_mpa)
