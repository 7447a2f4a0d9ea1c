"""The table of the trials: what came of each kind under each condition, as Markdown and as data."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

from fringewise.workflow.conditions import Condition
from fringewise.workflow.trials import JUDGED, Case, Judgement, judge, judge_pooled

SENTENCE: Final = "On rendered captures; prove yours on your block."
MOST_WITHHELD: Final = 0.25
_AREAS: Final = ("area",)
_POOLED: Final = "all"


@dataclass(frozen=True, slots=True)
class TrialRun:
    """What was run: the seed, how many looks, and how.

    Attributes
    ----------
    seed, looks, rays_per_pixel, draws : int
    machine : str
        In words.
    program : str
    """

    seed: int
    looks: int
    rays_per_pixel: int
    draws: int
    machine: str
    program: str


@dataclass(frozen=True, slots=True)
class Row:
    """One row: a condition, a kind (or "all"), its judged quantity, and the judgement."""

    condition: str
    kind: str
    quantity: str
    judgement: Judgement

    @property
    def honest(self) -> bool:
        """Whether it lies within the bands that an honest program passes with 60 cases."""
        found = self.judgement
        return (
            found.coverage >= 53 / 60 and 0.73 <= found.rms_normalised <= 1.28 and found.median_ratio >= 0.22
        )


def trial_rows(cases: Mapping[str, Sequence[Case]]) -> list[Row]:
    """Judge the cases of each condition, kind by kind and all together."""
    rows = []
    for condition, found in cases.items():
        kinds = sorted({one.kind for one in found if one.kind in JUDGED})
        rows += [Row(condition, kind, JUDGED[kind], judge(found, kind, JUDGED[kind])) for kind in kinds]
        rows.append(Row(condition, _POOLED, "", judge_pooled(found)))
    return rows


def table_lines(rows: Sequence[Row], conditions: Sequence[Condition], run: TrialRun) -> Iterator[str]:
    """Write the page: what was run, the conditions in words, and the table (Markdown)."""
    yield f"**{SENTENCE}**"
    yield ""
    yield (
        f"Seed {run.seed}, {run.looks} looks, each cast once with {run.rays_per_pixel} rays a pixel "
        f"and exposed anew under each condition; {run.draws} draws a size; {run.program}; "
        f"{run.machine}."
    )
    yield ""
    yield "| condition | what it is |"
    yield "| --- | --- |"
    for one in conditions:
        yield f"| {one.name} | {one.words} |"
    yield ""
    yield "| condition | kind | cases | withheld | covered | RMS of error / u | median of \\|error\\| / U | median error | median U |"  # noqa: E501 - one row of a table
    yield "| --- | --- | --: | --: | --: | --: | --: | --: | --: |"
    for row in rows:
        yield _line(row)


def table_document(rows: Sequence[Row], run: TrialRun) -> dict[str, Any]:
    """Give the same as plain values, lengths in mm and areas in mm²."""
    return {
        "format": "fringewise.trials/1",
        "run": asdict(run),
        "says": SENTENCE,
        "rows": [
            {
                "condition": row.condition,
                "kind": row.kind,
                "quantity": row.quantity,
                "honest": row.honest,
                **{name: _known(value) for name, value in asdict(row.judgement).items()},
            }
            for row in rows
        ],
    }


def _known(value: float) -> float | None:
    return value if value == value else None  # noqa: PLR0124 - NaN is the only number unlike itself


def _line(row: Row) -> str:
    found = row.judgement
    cases = found.count + found.withheld
    kind = row.kind if row.kind in (_POOLED, row.quantity) else f"{row.kind} {row.quantity}"
    if not found.count:
        return f"| {row.condition} | {kind} | {cases} | {found.withheld} | | | | | |"
    if row.kind == _POOLED:
        error = doubt = ""
    elif row.quantity in _AREAS:
        error = f"{100 * found.median_relative_error:.2f} %"
        doubt = f"{found.median_expanded:.3f} mm²"
    else:
        error = f"{1000 * found.median_error:.1f} µm"
        doubt = f"{1000 * found.median_expanded:.1f} µm"
    covered = f"{found.covered} of {found.count}"
    return (
        f"| {row.condition} | {kind} | {cases} | {found.withheld} | {covered} "
        f"| {found.rms_normalised:.2f} | {found.median_ratio:.2f} | {error} | {doubt} |"
    )
