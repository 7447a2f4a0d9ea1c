"""The table of document formats, and the JSON Schema of each."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module
from typing import Any, Final

from fringewise.core.documents import Part, json_schema


@dataclass(frozen=True, slots=True)
class DocumentFormat:
    """One document format: its name, where its model stands, whether it is TOML, and what it is."""

    name: str
    module: str
    model: str
    words: str
    toml: bool = False


FORMATS: Final[tuple[DocumentFormat, ...]] = (
    DocumentFormat("capture", "capture.documents", "CaptureDocument", "capture.json of a capture folder"),
    DocumentFormat("head", "capture.documents", "HeadDocument", "calibration of a head"),
    DocumentFormat("findings", "findings.documents", "FindingsDocument", "what was marked on a photo"),
    DocumentFormat("results", "findings.result_documents", "ResultsDocument", "what was measured"),
    DocumentFormat("target", "calibrate.documents", "TargetDocument", "a calibration target"),
    DocumentFormat("block", "equipment.documents", "BlockDocument", "a check block"),
    DocumentFormat("limits", "verdict.documents", "LimitsDocument", "a limits book", toml=True),
    DocumentFormat("verdicts", "verdict.documents", "VerdictsDocument", "what the limits book says"),
    DocumentFormat("verification", "equipment.documents", "VerificationDocument", "a head tried on a block"),
    DocumentFormat("workcard", "record.documents", "WorkCardDocument", "a work card", toml=True),
)


def document_model(name: str) -> type[Part]:
    """Give the model of a format by its name; KeyError where there is none."""
    found = {one.name: one for one in FORMATS}[name]
    model: type[Part] = getattr(import_module(f"fringewise.{found.module}"), found.model)
    return model


def schema_of(name: str) -> dict[str, Any]:
    """Give a format's JSON Schema (2020-12); for TOML, of the values that the text stands for.

    Examples
    --------
    >>> schema_of("head")["$id"]
    'urn:fringewise:head:1'
    """
    return json_schema(document_model(name))
