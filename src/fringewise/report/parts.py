"""The parts that a report is made of; everything in them is in words, with units and rounding done."""

from __future__ import annotations

from dataclasses import dataclass

Facts = tuple[tuple[str, str], ...]
"""Pairs of a name and what holds."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture: the key by which its file is found, what a blind reader is told, caption, share of width."""

    key: str
    alt: str
    caption: str = ""
    share: float = 1.0


@dataclass(frozen=True, slots=True)
class SizeRow:
    """One measured quantity."""

    quantity: str
    value: str
    coverage: str
    interval: str
    bound: str


@dataclass(frozen=True, slots=True)
class LimitRow:
    """One rule that a verdict rests on, with its limit, where that stands, and the numbers."""

    rule: str
    source: str
    quantity: str
    limit: str
    acceptance: str
    probability: str


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """One quantity's uncertainty by its sources, in the quantity's unit."""

    quantity: str
    parts: Facts
    not_included: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FindingSection:
    """One finding: what, where, how large, what the limits book says."""

    identity: str
    kind: str
    place: str
    facts: Facts
    outcome: str
    outcome_words: str
    statement: str
    would_decide: str
    provisional: tuple[str, ...]
    reason: str
    sizes: tuple[SizeRow, ...]
    limits: tuple[LimitRow, ...]
    budget: tuple[BudgetRow, ...]
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
    figures: tuple[Figure, ...]


@dataclass(frozen=True, slots=True)
class Item:
    """A blade, vane or segment in a stage's strip: how it stands, by shape and in words."""

    name: str
    state: str
    words: str


@dataclass(frozen=True, slots=True)
class StageSection:
    """One stage: how it is counted and viewed, how each item stands, where the damage is."""

    name: str
    facts: Facts
    items: tuple[Item, ...]
    legend: Facts
    not_seen: tuple[str, ...]
    figures: tuple[Figure, ...]


@dataclass(frozen=True, slots=True)
class ToDo:
    """One thing that has to be done, and about what."""

    outcome: str
    what: str
    where: str
    size: str


@dataclass(frozen=True, slots=True)
class FirstPage:
    """What has to be read in ten seconds."""

    outcome: str
    headline: str
    detail: str
    to_do: tuple[ToDo, ...]
    not_seen: tuple[str, ...]
    engine: Facts
    sign_off: str
    doubts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class VerificationRow:
    """One trial of a head on a block."""

    head: str
    probe: str
    block: str
    when: str
    occasion: str
    outcome: str


@dataclass(frozen=True, slots=True)
class HistoryRow:
    """One entry of the record."""

    number: str
    when: str
    who: str
    what: str
    sha256: str


@dataclass(frozen=True, slots=True)
class Report:
    """A whole report.

    Attributes
    ----------
    identity : str
        The inspection's.
    title, issued : str
    invented : bool
        Marked on every page.
    draft : bool
        Not signed: said on every page.
    first : FirstPage
    about : pairs
        Order, procedure, limits book, decision rule, people, times.
    stages, findings, verifications
    equipment : tuple of Figure
        Charts of the heads' verifications.
    method : tuple of str
        How sizes and their uncertainty come about.
    versions : pairs
    history : tuple of HistoryRow
    record_sha256 : str
    cautions : tuple of str
    """

    identity: str
    title: str
    issued: str
    invented: bool
    draft: bool
    first: FirstPage
    about: Facts
    stages: tuple[StageSection, ...]
    findings: tuple[FindingSection, ...]
    verifications: tuple[VerificationRow, ...]
    equipment: tuple[Figure, ...]
    method: tuple[str, ...]
    versions: Facts
    history: tuple[HistoryRow, ...]
    record_sha256: str
    cautions: tuple[str, ...]
