"""The demo's limits book and work card are sound, in force, and say that they are invented."""

from __future__ import annotations

from fringewise.core.documents import parse
from fringewise.record.documents import WorkCardDocument
from fringewise.verdict.book_reading import parse_limits
from fringewise.workflow.demo import BLADES, PART, STAGE
from fringewise.workflow.demo_books import DEMO_CARD, DEMO_LIMITS


def test_the_demo_book_is_in_force_and_invented() -> None:
    book = parse_limits(DEMO_LIMITS.encode())
    assert book.in_force
    assert "Invented" in book.document.title
    assert "invented" in book.document.source
    assert DEMO_LIMITS.startswith("# Invented limits")
    assert book.parts == (PART,)


def test_the_demo_card_is_the_demo_stage() -> None:
    card = parse(WorkCardDocument, DEMO_CARD.encode(), "card.toml", toml=True)
    (stage,) = card.stage
    assert (stage.name, stage.part, stage.items) == (STAGE, PART, BLADES)
    assert "invented" in card.engine.type
