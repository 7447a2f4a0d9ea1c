"""What a book's limits of a blend ask of the finished blend, as rules of their own."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from fringewise.verdict.documents import RuleDocument

_ASKED: Final = (
    ("depth_max", "depth", "serviceable_up_to"),
    ("radius_min", "radius_least", "serviceable_from"),
    ("length_to_depth", "length_to_depth", "serviceable_from"),
)


def with_blend_rules(rules: tuple[RuleDocument, ...]) -> tuple[RuleDocument, ...]:
    """Add the rules for finished blends that the limits of a blend imply.

    Examples
    --------
    >>> rule = RuleDocument.model_validate({"id": "A", "part": "b", "kind": "edge_nick", "quantity": "depth",
    ...     "unit": "mm", "blend_up_to": 0.9, "blend": {"depth_max": 1.2, "radius_min": 6.0}})
    >>> [(one.id, one.quantity, one.serviceable_from) for one in with_blend_rules((rule,))[1:]]
    [('A, blend depth_max', 'depth', None), ('A, blend radius_min', 'radius_least', 6.0)]
    """
    return (*rules, *(implied for rule in rules for implied in _implied(rule)))


def _implied(rule: RuleDocument) -> Iterator[RuleDocument]:
    for name, quantity, boundary in _ASKED:
        limit = None if rule.blend is None else getattr(rule.blend, name)
        if limit is not None:
            values: dict[str, Any] = {
                "id": f"{rule.id}, blend {name}",
                "part": rule.part,
                "zone": rule.zone,
                "kind": "blend",
                "quantity": quantity,
                "unit": rule.unit,
                "source": rule.source,
                boundary: limit,
            }
            yield RuleDocument.model_validate(values)
