"""What wire documents are made of: their base class and the types of their fields, each with its limits."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from datetime import date, datetime
from typing import Annotated, Final, NamedTuple, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    model_validator,
)
from pydantic import ValidationError as PydanticError
from pydantic_core import InitErrorDetails, PydanticCustomError

GREATEST_NUMBER: Final = 1e12
LEAST_POSITIVE: Final = 1e-9
LONGEST_TEXT: Final = 10_000

MOMENT_PATTERN: Final = (
    "^[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt ][0-9]{2}:[0-9]{2}:[0-9]{2}(\\.[0-9]+)?([Zz]|[+-][0-9]{2}:[0-9]{2})$"
)
SHA256_PATTERN: Final = "^[0-9a-f]{64}$"
DAY_PATTERN: Final = "^[0-9]{4}-[0-9]{2}-[0-9]{2}$"


class Broken(NamedTuple):
    """A rule between fields that does not hold: where, the rule, and what was met where that says more."""

    field: str
    rule: str
    value: str = ""


class Part(BaseModel):
    """Base of every wire document and of each part of one: unknown fields are kept, values never change."""

    model_config = ConfigDict(extra="allow", frozen=True, allow_inf_nan=False, protected_namespaces=())

    def _broken_rules(self) -> Iterable[Broken]:
        """Give the rules between fields that do not hold, all of them; each field by itself is sound."""
        return ()

    @model_validator(mode="after")
    def _rules_hold(self) -> Self:
        broken = [
            InitErrorDetails(
                type=PydanticCustomError("broken_rule", "{rule}", {"rule": one.rule, "value": one.value}),
                loc=(one.field,) if one.field else (),
                input=one.value,
            )
            for one in self._broken_rules()
        ]
        if broken:
            raise PydanticError.from_exception_data(type(self).__name__, broken)
        return self


def rule_of(make: Callable[[], object]) -> str:
    """Say which rule of a domain type does not hold when it is made; empty when all do."""
    try:
        make()
    except ValueError as error:
        return str(error)
    return ""


def _from_whole(value: object) -> object:
    whole = isinstance(value, float) and math.isfinite(value) and value == int(value)
    return int(value) if whole else value  # type: ignore[call-overload]  # told by `whole`


def _real_day(text: str) -> str:
    try:
        date.fromisoformat(text)
    except ValueError as error:
        raise ValueError("must be a date that exists") from error
    return text


def _real_moment(text: str) -> str:
    try:
        moment_of(text)
    except ValueError as error:
        raise ValueError("must be a date and time that exists") from error
    return text


def _not_blank(text: str) -> str:
    if not text.strip():
        raise ValueError("must not be blank")
    return text


Number = Annotated[float, Field(strict=True, ge=-GREATEST_NUMBER, le=GREATEST_NUMBER)]
Positive = Annotated[float, Field(strict=True, gt=LEAST_POSITIVE, le=GREATEST_NUMBER)]
NotNegative = Annotated[float, Field(strict=True, ge=0, le=GREATEST_NUMBER)]
Probability = Annotated[float, Field(strict=True, ge=0, le=1)]
FROM_WHOLE: Final = BeforeValidator(_from_whole)
"""Makes 12.0 a whole number, as JSON Schema has it; stands beside ``Field(strict=True, …)``."""
Whole = Annotated[int, Field(strict=True, ge=-(2**53), le=2**53), FROM_WHOLE]
Count = Annotated[int, Field(strict=True, ge=0, le=2**53), FROM_WHOLE]
YesNo = Annotated[bool, Field(strict=True)]
Text = Annotated[str, StringConstraints(strict=True, max_length=LONGEST_TEXT)]
Name = Annotated[
    str, StringConstraints(strict=True, min_length=1, max_length=500), AfterValidator(_not_blank)
]
Sha256 = Annotated[str, StringConstraints(strict=True, pattern=SHA256_PATTERN)]
Day = Annotated[
    str,
    StringConstraints(strict=True, pattern=DAY_PATTERN),
    AfterValidator(_real_day),
    Field(json_schema_extra={"format": "date"}),
]
Moment = Annotated[
    str,
    StringConstraints(strict=True, pattern=MOMENT_PATTERN, max_length=64),
    AfterValidator(_real_moment),
    Field(json_schema_extra={"format": "date-time"}),
]


def format_of(kind: str, major: int = 1) -> StringConstraints:
    """Make the constraint of a ``format`` field: this kind, this major version, any minor one.

    Examples
    --------
    >>> from pydantic import TypeAdapter
    >>> TypeAdapter(Annotated[str, format_of("head")]).validate_python("fringewise.head/1")
    'fringewise.head/1'
    """
    return StringConstraints(strict=True, pattern=f"^fringewise\\.{kind}/{major}(\\.[0-9]{{1,9}})?$")


def moment_of(text: str) -> datetime:
    """Read an RFC 3339 moment with its zone; a leap second counts as the second before it.

    Examples
    --------
    >>> moment_of("2026-03-14T09:26:53Z").isoformat()
    '2026-03-14T09:26:53+00:00'
    """
    plain = text.upper().replace(" ", "T")
    seconds_at = len("2026-03-14T09:26:")
    if plain[seconds_at : seconds_at + 2] == "60":
        plain = f"{plain[:seconds_at]}59{plain[seconds_at + 2 :]}"
    return datetime.fromisoformat(plain)
