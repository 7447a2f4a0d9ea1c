"""Stages as the work card has them, and what of them was seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fringewise.verdict.book import plain_words, same_words


@dataclass(frozen=True, slots=True)
class StageSeen:
    """A stage as the work card has it, and what of it was seen.

    Attributes
    ----------
    name, part : str
    items : int
        How many blades, vanes or segments it has.
    item_word : str
        What one of them is called.
    seen : frozenset of str
        The items that were seen, in plain words.
    """

    name: str
    part: str
    items: int
    item_word: str = "blade"
    seen: frozenset[str] = frozenset()

    @property
    def unseen(self) -> int:
        """How many items were not seen."""
        return max(self.items - len(self.seen), 0)


def stage_of(stages: Sequence[StageSeen], place: tuple[str, str]) -> StageSeen | None:
    """Find a stage of the card by its name or, where a finding names none, by its part if only one has it."""
    named = [one for one in stages if plain_words(one.name) == place[0] and same_words(one.part, place[1])]
    if named or place[0]:
        return named[0] if named else None
    of_part = [one for one in stages if same_words(one.part, place[1])]
    return of_part[0] if len(of_part) == 1 else None
