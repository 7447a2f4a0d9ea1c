"""Lives by the Paris law: constants that no life can be worked out from."""

from __future__ import annotations

import pytest

from fringewise.verdict.paris import ParisLaw, paris_life


@pytest.mark.parametrize(
    ("coefficient", "exponent", "stress_range_mpa"),
    [(1e-12, 300.0, 1e9), (1e-12, 3.0, 1e-200), (1e300, 3.0, 1e9)],
)
def test_constants_beyond_what_can_be_worked_out_are_refused(
    coefficient: float, exponent: float, stress_range_mpa: float
) -> None:
    with pytest.raises(ValueError, match="check C, its unit and m"):
        paris_life(ParisLaw(coefficient, exponent), 0.001, 0.002, stress_range_mpa)
