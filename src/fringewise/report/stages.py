"""Stages in a report: how each item stands, what was not seen, and why."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from fringewise.record.documents import StageDocument
from fringewise.record.inspection import OUTCOMES_FROM_WORST, FoundFinding, Inspection, Required
from fringewise.report.parts import Figure, Item, StageSection
from fringewise.verdict.words import OUTCOME_WORDS

SEEN: Final = "nothing found"
NOT_SEEN: Final = "not seen"
MARKED: Final = "finding, not decided yet"
_MOST_NAMED: Final = 12


def stage_sections(
    inspection: Inspection, figures: Mapping[str, tuple[Figure, ...]]
) -> Iterator[StageSection]:
    """Give each stage of the card."""
    for stage in inspection.about.card.stage:
        items = tuple(_items(inspection, stage))
        counts = {item.words: sum(other.words == item.words for other in items) for item in items}
        facts = [("part", stage.part), ("items", f"{stage.items} ({stage.item})")]
        facts += [("numbered", stage.numbered)] if stage.numbered else []
        facts += [("viewed", stage.viewed or "direction of view not stated")]
        looks = [one.look for one in inspection.required if one.stage == stage.name]
        facts += [("looks at each", ", ".join(dict.fromkeys(looks)))]
        yield StageSection(
            stage.name,
            tuple(facts),
            items,
            tuple((words, str(count)) for words, count in counts.items()),
            tuple(line for line in unseen_lines(inspection, stage.name)),
            figures.get(stage.name, ()),
        )


def _items(inspection: Inspection, stage: StageDocument) -> Iterator[Item]:
    findings: dict[str, list[FoundFinding]] = {}
    for one in inspection.all_findings:
        if one.stage == stage.name:
            findings.setdefault(one.item, []).append(one)
    looks: dict[str, list[Required]] = {}
    for look in inspection.required:
        if look.stage == stage.name:
            looks.setdefault(look.item, []).append(look)
    for number in range(1, stage.items + 1):
        yield _item(inspection, str(number), findings.get(str(number), []), looks.get(str(number), []))


def _item(
    inspection: Inspection, name: str, findings: Sequence[FoundFinding], looks: Sequence[Required]
) -> Item:
    """How an item stands: its worst finding, else whether all its looks were seen."""
    if findings:
        outcomes = [one.outcome for one in findings]
        worst = next((one for one in OUTCOMES_FROM_WORST if one in outcomes), "")
        if not worst or "" in outcomes:
            return Item(name, "marked", MARKED)
        words = OUTCOME_WORDS[worst]  # type: ignore[index]
        provisional = any(one.identity in inspection.provisional for one in findings)
        return Item(name, worst, f"provisional: {words}" if provisional else words)
    states = {inspection.state_of(look) for look in looks}
    if not looks or states & {"to do", "could not be seen"}:
        return Item(name, "not seen", NOT_SEEN)
    return Item(name, "clean", SEEN)


def unseen_lines(inspection: Inspection, stage: str | None = None) -> Iterator[str]:
    """Say what was not seen: looks that could not be, each with its reason; looks still to do, together."""
    to_do: dict[tuple[str, str], list[str]] = {}
    for look in inspection.unseen:
        if stage is not None and look.stage != stage:
            continue
        said = inspection.looks.get(look.subject)
        if said is not None and said.state == "could not be seen":
            yield f"{look.subject}: could not be seen, {said.reason}"
        else:
            to_do.setdefault((look.stage, look.look), []).append(look.item)
    for (where, name), items in to_do.items():
        yield f"{where}, {name}: not looked at on {_ranges(items)}"


def _ranges(items: Sequence[str]) -> str:
    """Write item numbers in runs.

    Examples
    --------
    >>> _ranges(["1", "2", "3", "7"])
    '1 to 3, 7'
    """
    runs: list[list[int]] = []
    for number in map(int, items):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    words = [
        str(run[0]) if len(run) == 1 else f"{run[0]} to {run[-1]}" if len(run) > 2 else f"{run[0]}, {run[1]}"
        for run in runs
    ]
    more = len(words) - _MOST_NAMED
    return ", ".join(words) if more <= 0 else f"{', '.join(words[:_MOST_NAMED])} and {more} more runs"
