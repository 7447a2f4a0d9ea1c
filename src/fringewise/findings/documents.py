"""Wire documents of findings (format 3), with the one table of kinds and marks."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import reduce
from operator import or_
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal

import numpy as np
from pydantic import AfterValidator, BeforeValidator, Field, create_model

from fringewise.core.documents import (
    Broken,
    Name,
    Part,
    Text,
    format_of,
    parse,
    unknown_fields,
    with_unknown_fields,
)
from fringewise.core.errors import InputRefused, Problem
from fringewise.findings.finding import DEFAULT_PLACING_PX, Answer, Finding

MOST_MARKS: Final = 10_000
"""Marks of one name in one finding; a person places a few."""
MOST_FINDINGS: Final = 10_000


@dataclass(frozen=True, slots=True)
class MarkRule:
    """How many marks a kind needs under one name.

    Attributes
    ----------
    name : str
        Such as ``outline_px``.
    least, most : int
    optional : bool
        Whether the kind does without them.
    words : str
        What the marks are, for a person.
    """

    name: str
    least: int
    most: int = MOST_MARKS
    optional: bool = False
    words: str = ""


_OUTLINE: Final = (MarkRule("outline_px", 3, words="round the damage, on sound metal"),)
_PATH: Final = (MarkRule("path_px", 2, words="along it, its ends first and last"),)
_SOUND_EDGE: Final = (MarkRule("edge_px", 2, 2, words="on the sound edge, one each side"),)
_TWO_EDGES: Final = (
    MarkRule("first_edge_px", 2, 2, words="on the sound part of the first edge"),
    MarkRule("second_edge_px", 2, 2, words="on the sound part of the second edge"),
)

MARKS: Final[Mapping[str, tuple[MarkRule, ...]]] = {
    "dent": _OUTLINE,
    "gouge": _PATH,
    "crack": _PATH,
    "edge_nick": _SOUND_EDGE,
    "edge_bend": _SOUND_EDGE,
    "corner_loss": _TWO_EDGES,
    "tip_loss": (*_TWO_EDGES, MarkRule("tip_px", 2, words="on a sound neighbour's tip, or on the casing")),
    "blend": _SOUND_EDGE,
    "area": (MarkRule("outline_px", 3, words="round the area"),),
    "hole": _OUTLINE,
    "path": _PATH,
    "distance": (MarkRule("ends_px", 2, 2, words="its two ends"),),
    "offset": (
        MarkRule("line_px", 2, 2, words="on the straight line"),
        MarkRule("point_px", 1, 1, words="the point"),
    ),
    "step": (
        MarkRule("lower_px", 3, words="round a patch of the lower face"),
        MarkRule("upper_px", 3, words="round a patch of the upper face"),
    ),
    "clearance": (
        MarkRule("edge_px", 2, 2, words="on the blade's edge"),
        MarkRule("casing_px", 3, words="round a patch of the casing facing it"),
    ),
    "flat": (MarkRule("outline_px", 3, words="round the flat"),),
    "sphere": (MarkRule("outline_px", 3, words="round a part of the sphere"),),
    "observation": (MarkRule("outline_px", 3, optional=True, words="round what was seen"),),
    "object": (MarkRule("ends_px", 2, 2, optional=True, words="the object's two ends"),),
}
"""The one table of kinds and their marks (format 3)."""


def _known_kind(kind: str) -> str:
    if kind not in MARKS:
        raise ValueError(f"must be one of {', '.join(MARKS)}")
    return kind


KindName = Annotated[
    str, Field(strict=True, json_schema_extra={"enum": list(MARKS)}), AfterValidator(_known_kind)
]
"""The name of a kind, for documents that speak of findings."""

WORDS: Final = ("part", "stage", "item", "zone", "note", "damage")
ANSWERS: Final = ("whole_extent_in_view", "sharp_bottom", "tear_or_crack", "reaches_edge")


def _as_text(value: object) -> object:
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


Coordinate = Annotated[float, Field(strict=True, ge=-1e6, le=1e6)]
Mark = tuple[Coordinate, Coordinate]
Label = Annotated[Name, BeforeValidator(_as_text, json_schema_input_type=str | int)]
Placing = Annotated[float, Field(strict=True, ge=0, le=1e3)]


class FindingDocument(Part):
    """What all kinds of findings may say; each kind adds its marks from `MARKS`."""

    id: Name
    kind: str
    part: Name | None = None
    stage: Name | None = None
    item: Label | None = None
    zone: Name | None = None
    note: Text | None = None
    damage: Label | None = None
    whole_extent_in_view: Answer | None = None
    sharp_bottom: Answer | None = None
    tear_or_crack: Answer | None = None
    reaches_edge: Answer | None = None
    draw_marks: Literal["yes", "no"] | None = None


def _model_of(kind: str, rules: Iterable[MarkRule]) -> type[FindingDocument]:
    fields: dict[str, Any] = {"kind": (Literal[kind], ...)}
    for rule in rules:
        marks: Any = Annotated[tuple[Mark, ...], Field(min_length=rule.least, max_length=rule.most)]
        described = Field(None if rule.optional else ..., description=rule.words)
        fields[rule.name] = (marks | None if rule.optional else marks, described)
    title = "".join(word.capitalize() for word in kind.split("_"))
    return create_model(f"{title}Document", __base__=FindingDocument, __doc__=f"A finding: {kind}.", **fields)


KIND_DOCUMENTS: Final[Mapping[str, type[FindingDocument]]] = {
    kind: _model_of(kind, rules) for kind, rules in MARKS.items()
}
"""The wire document of each kind, made from `MARKS`."""

if TYPE_CHECKING:
    AnyFindingDocument = FindingDocument
else:
    AnyFindingDocument = Annotated[reduce(or_, KIND_DOCUMENTS.values()), Field(discriminator="kind")]


class FindingsDocument(Part):
    """What a person marked on the photo of one capture."""

    format: Annotated[str, format_of("findings")]
    placing_px: Placing | None = None
    findings: Annotated[tuple[AnyFindingDocument, ...], Field(max_length=MOST_FINDINGS)]

    def _broken_rules(self) -> Iterable[Broken]:
        met: set[str] = set()
        for n, one in enumerate(self.findings):
            if one.id in met:
                yield Broken(f"findings[{n}].id", "must be unique in its file", one.id)
            met.add(one.id)


def parse_findings(text: bytes, where: str = "findings.json") -> tuple[Finding, ...]:
    """Read findings from the text of their document; InputRefused names every problem."""
    return findings_from_document(parse(FindingsDocument, text, where))


def findings_from_document(document: FindingsDocument) -> tuple[Finding, ...]:
    """Make the findings that a document states; unknown fields of each are kept in `Finding.extra`."""
    placing = DEFAULT_PLACING_PX if document.placing_px is None else document.placing_px
    return tuple(_finding(one, placing) for one in document.findings)


def findings_document(findings: Sequence[Finding]) -> dict[str, Any]:
    """Give findings as the plain values of their document (format 3).

    Examples
    --------
    >>> findings_document([Finding("L1", "distance", {"ends_px": np.array([[1, 2], [3, 4]])})])["findings"]
    [{'id': 'L1', 'kind': 'distance', 'ends_px': [[1.0, 2.0], [3.0, 4.0]]}]
    """
    placing = {one.placing_px for one in findings} or {DEFAULT_PLACING_PX}
    if len(placing) > 1:
        raise ValueError(f"findings of one file have one placing_px (found {sorted(placing)})")
    stated = [finding_fields(one) for one in findings]
    return {"format": "fringewise.findings/1", "placing_px": placing.pop(), "findings": stated}


def finding_fields(finding: Finding, *, marks: bool = True) -> dict[str, Any]:
    """Give the fields of one finding, with or without its marks; what is not known is left out."""
    said = {name: getattr(finding, name) for name in WORDS}
    answers = {name: getattr(finding, name) for name in ANSWERS}
    stated = {
        "id": finding.identity,
        "kind": finding.kind,
        **{name: value for name, value in said.items() if value is not None},
        **{name: answer for name, answer in answers.items() if answer != "not known"},
        **({} if finding.draws_marks else {"draw_marks": "no"}),
        **({name: points.tolist() for name, points in finding.marks.items()} if marks else {}),
    }
    return with_unknown_fields(stated, finding.extra)


def refuse_marks_outside(findings: Sequence[Finding], shape: tuple[int, int], where: str) -> None:
    """Raise InputRefused for every mark that lies outside a photo of `shape` (height, width) pixels."""
    height, width = shape
    problems = []
    for n, finding in enumerate(findings):
        for name, marks in finding.marks.items():
            u, v = marks.T
            outside = (u < -0.5) | (v < -0.5) | (u > width - 0.5) | (v > height - 0.5)
            problems += [
                Problem(
                    where,
                    f"findings[{n}].{name}[{at}]",
                    f"must lie on the photo of {width} × {height} pixels",
                    f"({marks[at, 0]:g}, {marks[at, 1]:g})",
                )
                for at in np.flatnonzero(outside)
            ]
    if problems:
        raise InputRefused(problems)


def _finding(document: FindingDocument, placing_px: float) -> Finding:
    answers: dict[str, Answer] = {name: getattr(document, name) or "not known" for name in ANSWERS}
    marks = {rule.name: getattr(document, rule.name) for rule in MARKS[document.kind]}
    return Finding(
        identity=document.id,
        kind=document.kind,
        marks={name: np.array(points) for name, points in marks.items() if points is not None},
        placing_px=placing_px,
        **{name: getattr(document, name) for name in WORDS},
        **answers,
        draws_marks=document.draw_marks != "no",
        extra=unknown_fields(document),
    )
