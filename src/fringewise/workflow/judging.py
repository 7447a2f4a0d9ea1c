"""Asking an inspection's limits book about its results, and writing down what it says."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from fringewise.capture.documents import parse_head
from fringewise.capture.head import Head
from fringewise.core.errors import refuse
from fringewise.equipment.documents import VerificationDocument
from fringewise.record.bodies import IntakeBody, checked_body
from fringewise.record.chain import Draft, Entry, plain
from fringewise.record.inspection import Inspection, inspection_of
from fringewise.verdict.book import LimitsBook
from fringewise.verdict.book_reading import parse_limits
from fringewise.verdict.standing import HeadDates
from fringewise.workflow.decide import Inspected, Verdicts, decide
from fringewise.workflow.inspecting import evidence_of
from fringewise.workflow.keeping import Desk

VERDICT_TOLERANCE: Final = 1e-6
"""Numbers of verdicts agree within this share of themselves, or of 1."""

_NO_REASONS: Final[Mapping[str, str]] = {}


def decide_inspection(
    desk: Desk, inspection: Inspection, left_out: Mapping[str, str] = _NO_REASONS
) -> tuple[Entry, Verdicts]:
    """Decide on all findings of an inspection as they stand now, and write the verdicts down.

    Parameters
    ----------
    desk : Desk
    inspection : Inspection
    left_out : mapping of str to str
        Measurements that don't count, by the finding's id, each with its reason.

    Raises
    ------
    InputRefused
        The inspection names no limits book, or marks are not measured yet.
    """
    verdicts = verdicts_of(desk, inspection, left_out)
    current = inspection.current_results
    body = {
        "results_entries": [inspection.latest["results", capture].sha256 for capture in current],
        "left_out": dict(left_out) or None,
        "document": dict(verdicts.document),
    }
    (entry,) = desk.write(Draft(inspection.identity, "verdicts", "verdicts", body))
    return entry, verdicts


def verdicts_of(
    desk: Desk,
    inspection: Inspection,
    left_out: Mapping[str, str] = _NO_REASONS,
    before: int | None = None,
) -> Verdicts:
    """Decide on all findings of an inspection as they stand, without writing anything down.

    Parameters
    ----------
    desk : Desk
    inspection : Inspection
    left_out : mapping of str to str
        As for `decide_inspection`.
    before : int, optional
        Number of an entry: verifications written after it don't count.
    """
    book = limits_book(desk, inspection)
    current = inspection.current_results
    waiting = sorted(set(inspection.findings) - set(current))
    if waiting:
        raise refuse(
            inspection.identity,
            waiting[0][:12],
            "its marks must be measured first: fringewise inspection measure",
        )
    inspected = Inspected(
        results=tuple((capture, body.document) for capture, body in current.items()),
        card=inspection.about.card,
        seen=seen_items(inspection),
        heads=tuple(HeadDates.of(head, sha256) for sha256, head in heads_of(desk, inspection).items()),
        verifications=verifications_of(desk, before),
        left_out=left_out,
    )
    return decide(inspected, book)


def limits_book(desk: Desk, inspection: Inspection) -> LimitsBook:
    """Give the limits book that an inspection was begun with.

    Raises
    ------
    InputRefused
        It names none.
    """
    sha256 = inspection.about.limits_sha256
    if sha256 is None:
        rule = "must have been begun with a limits book: fringewise inspection new CARD --limits FILE"
        raise refuse(inspection.identity, "", rule)
    with desk.archive.open(sha256) as stream:
        text = stream.read()
    toml = not text.lstrip().startswith(b"{")
    return parse_limits(text, f"limits book {sha256[:12]}", toml=toml)


def seen_items(inspection: Inspection) -> dict[str, tuple[str, ...]]:
    """Give, by stage, the items of which every look was seen."""
    unseen = {(one.stage, one.item) for one in inspection.unseen}
    found: dict[str, dict[str, None]] = {}
    for one in inspection.required:
        if (one.stage, one.item) not in unseen:
            found.setdefault(one.stage, {})[one.item] = None
    return {stage: tuple(items) for stage, items in found.items()}


def heads_of(desk: Desk, inspection: Inspection) -> dict[str, Head]:
    """Give the heads, as calibrated then, that took the captures of an inspection, by their file's hash."""
    hashes: dict[str, None] = {}
    for _, one in evidence_of(inspection):
        for entry in desk.archive.about("intake", one.sha256):
            body = checked_body("intake", entry.body)
            if isinstance(body, IntakeBody) and body.head_sha256:
                hashes[body.head_sha256] = None
    heads = {}
    for sha256 in hashes:
        with desk.archive.open(sha256) as stream:
            heads[sha256] = parse_head(stream.read(), f"head {sha256[:12]}")
    return heads


def verifications_of(desk: Desk, before: int | None = None) -> tuple[VerificationDocument, ...]:
    """Give the verifications on record before an entry (or all), the latest version of each, in order."""
    entries = desk.archive.about("verification")
    latest = {entry.subject: entry for entry in entries if before is None or entry.sequence < before}
    found = (checked_body("verification", entry.body) for entry in latest.values())
    return tuple(one for one in found if isinstance(one, VerificationDocument))


def verdicts_again(desk: Desk, entries: Sequence[Entry]) -> tuple[int, list[str]]:
    """Decide anew on what each verdicts' entry of an inspection was about; compare numbers and outcomes.

    Returns
    -------
    (int, list of str)
        How many numbers and outcomes were compared, and a line for each that differs.
    """
    compared, differ = 0, []
    for at, entry in enumerate(entries):
        if entry.kind != "verdicts":
            continue
        stood = inspection_of(entries[:at])
        again = verdicts_of(desk, stood, entry.body.get("left_out") or {}, before=entry.sequence)
        for path, old, new in _beside(entry.body["document"], plain(again.document), ""):
            compared += 1
            if not _same(old, new):
                differ.append(f"entry {entry.sequence}: {path}: {old} on record, {new} now")
    return compared, differ


def _beside(old: Any, new: Any, path: str) -> Iterator[tuple[str, Any, Any]]:
    """Give every number and outcome of a document beside the one at the same place of another."""
    if isinstance(old, Mapping):
        for name, value in old.items():
            below = new.get(name) if isinstance(new, Mapping) else None
            inner = f"{path}.{name}" if path else str(name)
            if name == "outcome" and not isinstance(value, Mapping):
                yield inner, value, below
            else:
                yield from _beside(value, below, inner)
    elif isinstance(old, list):
        others = new if isinstance(new, list) else []
        for n, value in enumerate(old):
            yield from _beside(value, others[n] if n < len(others) else None, f"{path}[{n}]")
    elif isinstance(old, int | float) and not isinstance(old, bool):
        yield path, old, new


def _same(old: Any, new: Any) -> bool:
    if isinstance(old, str) or not isinstance(new, int | float):
        return bool(old == new)
    return math.isclose(old, new, rel_tol=VERDICT_TOLERANCE, abs_tol=VERDICT_TOLERANCE)
