"""Which findings of results or verdicts are open, so that a changed limits book can be held against them."""

from __future__ import annotations

from fringewise.core.errors import refuse
from fringewise.findings.result_documents import FindingResultDocument, ResultsDocument
from fringewise.verdict.book_changes import OpenFinding
from fringewise.verdict.documents import FindingVerdictDocument, VerdictsDocument


def open_findings(document: object) -> tuple[OpenFinding, ...]:
    """Give the open findings of results (all of them) or of verdicts (all but the plainly serviceable).

    Raises
    ------
    InputRefused
        The document is neither.
    """
    if isinstance(document, ResultsDocument):
        return tuple(_of_result(one) for one in document.findings)
    if isinstance(document, VerdictsDocument):
        return tuple(_of_verdict(one) for one in document.findings if _is_open(one))
    raise refuse("findings", "", "must be results or verdicts")


def _of_result(result: FindingResultDocument) -> OpenFinding:
    stated = result.model_extra or {}
    return OpenFinding(
        result.id,
        result.kind,
        str(stated.get("part") or ""),
        str(stated.get("zone") or ""),
        stated.get("tear_or_crack") == "yes",
    )


def _of_verdict(verdict: FindingVerdictDocument) -> OpenFinding:
    return OpenFinding(verdict.id, verdict.kind or "", verdict.part or "", verdict.zone or "")


def _is_open(verdict: FindingVerdictDocument) -> bool:
    return verdict.outcome != "serviceable" or bool(verdict.provisional)
