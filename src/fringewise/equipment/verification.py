"""Verification: a head reads a certified block, and two tests say whether it still measures right.

1. E_n = error / √(U_reading² + U_certificate²) tests the stated uncertainty: it must lie within a limit that
   is set so that a sound head fails a block as a whole in `FALSE_ALARMS` of cases, however many features it
   has (Šidák: each feature's chance is 1 − (1 − p)^(1/n); with two features |E_n| ≤ 1.12).
2. The error must lie within the permissible error, less 1.65 u of the test value (ISO 14253-1, 95 %). The
   test value's uncertainty after ISO 14253-5 holds the certificate, the temperature and the placing of marks;
   the head's own noise and calibration are what is tested and stay out.

A reading whose own U is larger than a third of the permissible error can't decide the second test.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from scipy.special import ndtri

from fringewise.core.measured import Measured
from fringewise.core.units import MM_PER_INCH
from fringewise.equipment.documents import BlockDocument, BlockFeatureDocument
from fringewise.findings.finding import FindingResult

Outcome = Literal["passed", "failed", "not able to verify"]

FALSE_ALARMS: Final = 0.05
"""How often a sound head fails the uncertainty test of a block, all its features together."""

GUARD: Final = 1.6448536
"""One-sided 95 % of the normal distribution (ISO 14253-1:2017's default conformance probability)."""

MOST_SHARE_OF_PERMISSIBLE: Final = 1 / 3
"""A reading's U may be this share of the permissible error; above, it is not able to verify."""

WHEN_PASSED: Final = (
    "Passed on the block at this stand-off; a shiny or sooty blade may read worse. It releases nothing."
)

REFERENCE_C: Final = 20.0
EXPANSION_PER_K: Final = 11.5e-6
"""Thermal expansion of steel, taken where the block's certificate gives none."""
UNKNOWN_TEMPERATURE_K: Final = 10.0
"""Where the temperature is not known it counts as within ± this of 20 °C."""

_UNIT_SLIP: Final = 0.05
_TO_MM: Final = {"mm": 1.0, "in": MM_PER_INCH, "deg": 1.0}


@dataclass(frozen=True, slots=True)
class FeatureTest:
    """One feature as it was read, and both tests.

    Attributes
    ----------
    feature : BlockFeatureDocument
    reading : float
        In the feature's unit.
    expanded_uncertainty, certified_expanded : float
        U (k = 2) of reading and certificate.
    error, e_n : float
    e_n_limit : float
    test_value_uncertainty : float
        Expanded, k = 2.
    able : bool
        Whether U is small enough for the permissible error.
    words : str
        What came of it.
    """

    feature: BlockFeatureDocument
    reading: float
    expanded_uncertainty: float
    certified_expanded: float
    error: float
    e_n: float
    e_n_limit: float
    test_value_uncertainty: float
    able: bool
    words: str

    @property
    def honest(self) -> bool:
        """Whether the error lies within what the stated uncertainties allow."""
        return abs(self.e_n) <= self.e_n_limit

    @property
    def within(self) -> bool:
        """Whether the error is within the permissible one with 95 % conformance probability."""
        return abs(self.error) <= self.feature.permissible_error - GUARD * self.test_value_uncertainty / 2

    @property
    def passed(self) -> bool:
        """Both tests, and able to tell."""
        return self.able and self.honest and self.within

    @property
    def failed(self) -> bool:
        """Whether one of the tests speaks against the head."""
        return not self.honest or (self.able and not self.within)


@dataclass(frozen=True, slots=True)
class BlockReading:
    """All features of a block as a head read them.

    Attributes
    ----------
    tests : tuple of FeatureTest
    not_read : tuple of str
        Each feature that could not be read, and why.
    """

    tests: tuple[FeatureTest, ...]
    not_read: tuple[str, ...]

    @property
    def outcome(self) -> Outcome:
        """Failed if any test speaks against the head; passed only if every feature passed."""
        if any(one.failed for one in self.tests):
            return "failed"
        if self.not_read or not self.tests or not all(one.passed for one in self.tests):
            return "not able to verify"
        return "passed"


def e_n_limit(features: int, false_alarms: float = FALSE_ALARMS) -> float:
    """Limit of |E_n| for each of a block's features, so that the block as a whole has these false alarms.

    Examples
    --------
    >>> [round(e_n_limit(n), 3) for n in (1, 2, 5)]
    [0.98, 1.118, 1.284]
    """
    if features < 1 or not 0 < false_alarms < 1:
        raise ValueError("a block has one feature or more, and false alarms between 0 and 1")
    each = 1 - (1 - false_alarms) ** (1 / features)
    return float(ndtri(1 - each / 2)) / 2


def read_block(
    block: BlockDocument, results: Sequence[FindingResult], temperature_c: float | None = None
) -> BlockReading:
    """Test each of a block's features against its reading.

    Parameters
    ----------
    block : BlockDocument
    results : sequence of FindingResult
        Measured on one capture of the block; a feature's reading is the finding with its name.
    temperature_c : float, optional
        Of the block; absent counts as 20 ± 10 °C.
    """
    by_name = {one.finding.identity: one for one in results}
    limit = e_n_limit(len(block.features))
    tests, not_read = [], []
    for feature in block.features:
        found = _quantity(feature, by_name.get(feature.finding))
        if isinstance(found, str):
            not_read.append(f"{feature.finding} {feature.quantity}: {found}")
        else:
            tests.append(_tested(feature, found, limit, temperature_c, _expansion(block)))
    return BlockReading(tuple(tests), tuple(not_read))


def _quantity(feature: BlockFeatureDocument, result: FindingResult | None) -> Measured | str:
    """Give the quantity that was read, or why there is none."""
    if result is None:
        return "nothing is marked for it: mark it and verify again"
    if result.finding.kind != feature.kind:
        return f"it is marked as {result.finding.kind}, the block has a {feature.kind}: mark it as that"
    if result.reason:
        return result.reason
    named = {one.name: one for one in result.quantities}
    found = named.get(feature.quantity)
    if found is None:
        return f"a {feature.kind} has no quantity of that name ({', '.join(named)} are)"
    wrong = ""
    if {"in": "mm"}.get(feature.unit, feature.unit) != found.unit:
        wrong = (
            f"the block gives it in {feature.unit}, it is measured in {found.unit}: correct the block's file"
        )
    elif found.bound != "both":
        wrong = "only a least or greatest size was read: take a capture with the whole feature in view"
    return wrong or _unit_mixed_up(feature, found) or found


def _unit_mixed_up(feature: BlockFeatureDocument, found: Measured) -> str:
    """Whether reading and certificate differ by just what an inch and a millimetre do."""
    reading = found.value / _TO_MM.get(feature.unit, 1.0)
    if feature.unit not in ("mm", "in") or feature.value == 0 or reading == 0:
        return ""
    ratio = abs(reading / feature.value)
    if min(abs(ratio * MM_PER_INCH - 1), abs(ratio / MM_PER_INCH - 1)) > _UNIT_SLIP:
        return ""
    return (
        f"the block says {feature.value:g} {feature.unit}, it reads {reading:.4g} {feature.unit}:"
        " is the block's unit wrong? Correct its file"
    )


def _tested(
    feature: BlockFeatureDocument,
    found: Measured,
    limit: float,
    temperature_c: float | None,
    expansion_per_k: float,
) -> FeatureTest:
    scale = _TO_MM.get(feature.unit, 1.0)
    reading, u_reading = found.value / scale, found.expanded_uncertainty / scale
    certified = 2 * feature.expanded_uncertainty / feature.coverage_factor
    error = reading - feature.value
    e_n = error / max(math.hypot(u_reading, certified), 1e-12)
    warmth = _warmth(feature, temperature_c, expansion_per_k)
    test_value = 2 * math.hypot(certified / 2, warmth, found.part("marks") / scale)
    able = u_reading <= MOST_SHARE_OF_PERMISSIBLE * feature.permissible_error
    made = FeatureTest(feature, reading, u_reading, certified, error, e_n, limit, test_value, able, "")
    return FeatureTest(
        feature, reading, u_reading, certified, error, e_n, limit, test_value, able, _words(made)
    )


def _words(test: FeatureTest) -> str:
    unit, most = test.feature.unit, test.feature.permissible_error
    if not test.honest:
        return (
            f"the error of {test.error:+.4g} {unit} is more than the stated uncertainty allows"
            f" (E_n {test.e_n:+.2f}, limit {test.e_n_limit:.2f}): calibrate the head"
        )
    if not test.able:
        return (
            f"U {test.expanded_uncertainty:.3g} {unit} is more than a third of the permissible {most:g}"
            f" {unit}: move nearer, light it better, or calibrate the head better"
        )
    if not test.within:
        return f"the error of {test.error:+.4g} {unit} is not surely within the permissible {most:g} {unit}"
    return "within both limits"


def _warmth(feature: BlockFeatureDocument, temperature_c: float | None, expansion_per_k: float) -> float:
    """Standard uncertainty from the block's expansion, which is not corrected: a rectangle about 20 °C."""
    if feature.unit == "deg":
        return 0.0
    off = UNKNOWN_TEMPERATURE_K if temperature_c is None else abs(temperature_c - REFERENCE_C)
    return abs(feature.value) * expansion_per_k * off / math.sqrt(3)


def _expansion(block: BlockDocument) -> float:
    """The certificate's own coefficient, a field that the format leaves open, else that of steel."""
    extra: dict[str, Any] = block.model_extra or {}
    stated = extra.get("expansion_per_k")
    return float(stated) if isinstance(stated, int | float) and 0 <= stated < 1e-3 else EXPANSION_PER_K
