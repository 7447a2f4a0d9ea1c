"""Wire document of work cards (format 11, TOML)."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated

from pydantic import Field

from fringewise.capture.documents import InnerPath
from fringewise.core.documents import (
    FROM_WHOLE,
    Broken,
    Name,
    NotNegative,
    Part,
    Text,
    format_of,
)


class EngineDocument(Part):
    """The engine, with its hours and cycles at the time of the inspection."""

    serial: Name
    type: Name
    hours: NotNegative | None = None
    cycles: NotNegative | None = None


class LookDocument(Part):
    """One look that every item of a stage gets."""

    name: Name
    port: Name | None = None


class StageDocument(Part):
    """One stage: how many items it has, how they are counted, and the looks at each."""

    name: Name
    part: Name
    items: Annotated[int, Field(strict=True, ge=1, le=10_000), FROM_WHOLE]
    item: Name
    numbered: Text | None = None
    viewed: Text | None = None
    looks: Annotated[tuple[LookDocument, ...], Field(max_length=100)] | None = None

    def _broken_rules(self) -> Iterable[Broken]:
        names = [look.name for look in self.looks or ()]
        for n, name in enumerate(names):
            if name in names[:n]:
                yield Broken(f"looks[{n}].name", "must be unique in its stage", name)


class WorkCardDocument(Part):
    """A work card: which engine is looked at, why, by which procedure, and every stage of it."""

    format: Annotated[str, format_of("workcard")]
    order: Name
    engine: EngineDocument
    reason: Text | None = None
    procedure: Text | None = None
    limits: InnerPath | None = None
    stage: Annotated[tuple[StageDocument, ...], Field(min_length=1, max_length=1000)]

    def _broken_rules(self) -> Iterable[Broken]:
        names = [stage.name for stage in self.stage]
        for n, name in enumerate(names):
            if name in names[:n]:
                yield Broken(f"stage[{n}].name", "must be unique in the card", name)
