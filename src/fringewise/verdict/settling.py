"""What would settle an open case: the stand-off or the number of frames at which it could be decided."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Protocol

from fringewise.core.units import LengthUnit, shown_in
from fringewise.verdict.cases import Case
from fringewise.verdict.deciding import DamageVerdict, decide_damage
from fringewise.verdict.judge import Judge
from fringewise.verdict.words import OUTCOME_WORDS

STEP_MM: Final = 0.5
FRAMES: Final = (2, 4, 8, 16)
"""How many times as many frames are looked at."""
_UNKNOWN_NEAREST: Final = 0.25
"""Share of the present stand-off down to which is looked where the head's range is not known."""


class Expectation(Protocol):
    """Says what uncertainty to expect of a size measured again, nearer or with more frames."""

    def __call__(self, case: Case, quantity: str, standoff_mm: float, frames: int, /) -> float | None:
        """Give u at a stand-off and with `frames` times the frames; None where not known."""


@dataclass(frozen=True, slots=True)
class Settling:
    """What would decide an open case.

    Attributes
    ----------
    standoff_mm : float, optional
        The farthest stand-off at which it could be decided with as many frames as now.
    frames : int, optional
        How many times as many frames would decide it from where the head stood.
    limits : tuple of (limit, unit)
        What could be decided then.
    other : tuple of str
        What else must be done: measure what is wanting, bring the whole into view.
    range_known : bool
        Whether the head's working range is known.
    act_as : str
    """

    standoff_mm: float | None = None
    frames: int | None = None
    limits: tuple[tuple[float, str], ...] = ()
    other: tuple[str, ...] = ()
    range_known: bool = True
    act_as: str = ""


def scaled_expectation(case: Case, quantity: str, standoff_mm: float, frames: int) -> float | None:
    """Scale the measured uncertainty: frame noise with the square of the stand-off and 1/√frames.

    Marks scale with the stand-off, as a pixel does on the metal; the rest with its square, as triangulation's
    depth does. A rule of thumb after the measurement at hand, where nothing better is known.

    Examples
    --------
    >>> from fringewise.verdict.sizes import Size
    >>> case = Case("F1", "dent", sizes={"depth": Size(0.3, 0.01)}, noise_shares={"depth": (0.008, 0.0)},
    ...     standoff_mm=20.0)
    >>> round(scaled_expectation(case, "depth", 10.0, 4), 5)
    0.0018
    """
    size = case.sizes.get(quantity)
    if size is None or not case.standoff_mm:
        return None
    noise, marks = case.noise_shares.get(quantity, (0.0, 0.0))
    nearer = standoff_mm / case.standoff_mm
    rest = max(size.standard_uncertainty**2 - noise**2 - marks**2, 0.0)
    variance = noise**2 * nearer**4 / frames + marks**2 * nearer**2 + rest * nearer**4
    return math.sqrt(variance)


def settle(
    made: Judge,
    damage: DamageVerdict,
    nearest_mm: float | None = None,
    expect: Expectation = scaled_expectation,
) -> Settling | None:
    """Say what would decide a damage; None where it is decided.

    Parameters
    ----------
    made : Judge
    damage : DamageVerdict
    nearest_mm : float, optional
        The near end of the head's working range; None where not known.
    expect : Expectation
    """
    if damage.bounds.decided is not None:
        return None
    act_as = OUTCOME_WORDS[damage.bounds.worst]
    limits = tuple(
        dict.fromkeys((one.limit, one.unit) for one in damage.grounds if one.limit and one.kept == "in doubt")
    )
    other = tuple(dict.fromkeys(_wanting(damage)))
    if other:
        return Settling(other=other, limits=limits, act_as=act_as)
    case = _nearest(damage)
    if case is None or not case.standoff_mm:
        return Settling(act_as=act_as, limits=limits, other=("Measure it again from nearer.",))
    nearest = nearest_mm if nearest_mm is not None else _UNKNOWN_NEAREST * case.standoff_mm

    def decides(standoff_mm: float, frames: int) -> bool:
        return _decides(made, damage, case, standoff_mm, frames, expect)

    standoff = next((one for one in _standoffs(case.standoff_mm, nearest) if decides(one, 1)), None)
    now = case.standoff_mm
    frames = next((one for one in FRAMES if decides(now, one)), None)
    return Settling(standoff, frames, limits, (), nearest_mm is not None, act_as)


def settling_words(settling: Settling, unit: LengthUnit = "mm") -> str:
    """Write what would decide, in the second person.

    Examples
    --------
    >>> settling_words(Settling(14.0, None, ((0.25, "mm"),)))
    'Move to 14 mm or nearer: then 0.25 mm can be decided.'
    """
    if settling.other:
        return " ".join(settling.other)
    then = " and ".join(_plain(*one, unit) for one in settling.limits)
    can = f"then {then} can be decided" if then else "then it can be decided"
    ways = []
    if settling.standoff_mm is not None:
        reach = "" if settling.range_known else ", if the head measures so near"
        ways.append(f"Move to {_plain(settling.standoff_mm, 'mm', unit)} or nearer{reach}: {can}.")
    if settling.frames is not None:
        ways.append(f"Take {settling.frames} times as many frames from where you are: {can}.")
    if not ways:
        where = "within the head's range" if settling.range_known else "near by"
        return f"No stand-off {where} and no number of frames would decide it: act as {settling.act_as}."
    return " Or: ".join(ways)


def _wanting(damage: DamageVerdict) -> Iterator[str]:
    """Give what no nearer look settles."""
    if "no_rule" in damage.wants:
        yield "The book has no rule for it: ask whoever holds the manual."
    for ground in damage.grounds:
        if ground.size is not None and ground.size.bound != "both" and ground.kept == "in doubt":
            yield "Bring the whole damage into view and measure it again."
        elif ground.size is None and ground.quantity:
            yield f"Measure the {ground.quantity.replace('_', ' ')}: {ground.words}."
        elif ground.size is None and ground.bounds.decided is None and ground.words:
            yield f"Settle the count {ground.rule}: {ground.words}."


def _nearest(damage: DamageVerdict) -> Case | None:
    measured = [one for one in damage.cases if one.sizes and one.standoff_mm]
    return min(measured, key=lambda one: one.standoff_mm or math.inf) if measured else None


def _standoffs(now_mm: float, nearest_mm: float) -> Iterator[float]:
    """Give round stand-offs from now on nearer, to the near end of the range itself."""
    number = math.floor(now_mm / STEP_MM)
    while number * STEP_MM > nearest_mm:
        yield number * STEP_MM
        number -= 1
    if nearest_mm <= now_mm:
        yield nearest_mm


def _decides(
    made: Judge, damage: DamageVerdict, case: Case, standoff_mm: float, frames: int, expect: Expectation
) -> bool:
    """Try the decision with the value at hand and the uncertainty to expect."""
    expected = {name: expect(case, name, standoff_mm, frames) for name in case.sizes}
    if any(one is None for one in expected.values()):
        return False
    value = {one.quantity: one.size.value for one in damage.grounds if one.size is not None}
    sizes = {
        name: replace(
            size,
            value=value.get(name, size.value),
            standard_uncertainty=expected[name] or 0.0,
            quantiles=(),
            shared_uncertainty=0.0,
        )
        for name, size in case.sizes.items()
    }
    tried = decide_damage(made, [replace(case, sizes=sizes)])
    return tried.bounds.decided is not None


def _plain(value: float, unit: str, length_unit: LengthUnit) -> str:
    shown, name = shown_in(value, unit, length_unit)
    return f"{shown:.4g} {name}".rstrip()


def settle_all(
    made: Judge, damages: Sequence[DamageVerdict], nearest_mm: dict[str, float], unit: LengthUnit = "mm"
) -> dict[str, str]:
    """Write what would decide each open damage, by the ids of its findings.

    Parameters
    ----------
    made : Judge
    damages : sequence of DamageVerdict
    nearest_mm : dict of str to float
        Near end of the working range of each head that is known, by serial.
    unit : {"mm", "in"}
    """
    told: dict[str, str] = {}
    for damage in damages:
        settling = settle(made, damage, nearest_mm.get(damage.case.head))
        if settling is not None:
            told.update({one.identity: settling_words(settling, unit) for one in damage.cases})
    return told
