"""Invented inspections for tests of reports."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from inspection_examples import CARD, findings_body, results_body, verdicts_body

from fringewise.record.chain import FIRST, Draft, Entry, sealed
from fringewise.record.inspection import Inspection, inspection_of

SHA = "5" * 64
BEGUN = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
ISSUED = BEGUN + timedelta(days=1)
LOOK = "compressor 3 / 2 / pressure side"


def look_draft(item: str, look: str, state: str, reason: str | None = None) -> Draft:
    body = {"stage": "compressor 3", "item": item, "look": look, "state": state, "reason": reason}
    return Draft("W-2041", "look", f"compressor 3 / {item} / {look}", body)


def inspection(
    outcomes: dict[str, str], worst: str, *more: Draft, seen: bool = True, note: str = ""
) -> Inspection:
    looks = [(str(n), look) for n in range(1, 5) for look in ("pressure side", "leading edge")]
    drafts = [Draft("W-2041", "inspection", "W-2041", {"card": CARD, "technician": "A", "invented": True})]
    drafts += [look_draft(item, look, "done, nothing found") for item, look in looks if seen or item != "3"]
    if outcomes:
        marked: dict[str, Any] = findings_body(SHA, *outcomes)
        marked["document"]["findings"][0]["note"] = note or None
        drafts.append(look_draft("2", "pressure side", "findings"))
        drafts.append(Draft("W-2041", "findings", SHA, marked))
        drafts.append(Draft("W-2041", "results", SHA, results_body(SHA, *outcomes)))
    if worst:
        drafts.append(Draft("W-2041", "verdicts", "W-2041", verdicts_body(outcomes, worst)))
    return inspection_of(chained([*drafts, *more]))


def chained(drafts: Sequence[Draft]) -> list[Entry]:
    entries: list[Entry] = []
    for n, said in enumerate(drafts):
        draft = replace(said, body=_resting_on(said, entries))
        version = sum(one.key == (draft.kind, draft.subject) for one in entries) + 1
        previous = entries[-1].sha256 if entries else FIRST
        entries.append(
            sealed(
                draft, sequence=n + 1, version=version, author="A", at=BEGUN + timedelta(minutes=n),
                previous=previous,
            )
        )  # fmt: skip
    return entries


def _resting_on(draft: Draft, entries: Sequence[Entry]) -> dict[str, Any]:
    """Results state the marks that they were measured by, verdicts the results that they are about."""
    body = dict(draft.body)
    latest = {entry.key: entry.sha256 for entry in entries}
    if draft.kind == "results":
        body["findings_entry"] = latest["findings", draft.subject]
    if draft.kind == "verdicts":
        body["results_entries"] = [sha256 for (kind, _), sha256 in latest.items() if kind == "results"]
    return body
