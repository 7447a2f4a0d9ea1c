"""The bands by which trials are judged honest."""

from __future__ import annotations

from fringewise.workflow.trials import Judgement


def honest(found: Judgement) -> bool:
    """Bands for 60 cases or more of a kind (design decision 10); the coverage band is 53 of 60."""
    return found.coverage >= 53 / 60 and 0.73 <= found.rms_normalised <= 1.28 and found.median_ratio >= 0.22
