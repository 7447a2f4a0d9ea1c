"""Every result carries what stood against its head when the capture was taken."""

from __future__ import annotations

from small_captures import small_capture

from fringewise.findings.result_documents import results_document
from fringewise.workflow.measure import measure


def test_results_say_what_stands_against_the_head() -> None:
    made = measure(small_capture(), [])
    said = results_document(made.results, made.summary, "fringewise")["capture"]["stands_against"]
    assert "when head SMALL-1 was calibrated is not known" in said
    assert "until when the calibration of head SMALL-1 holds is not known" in said
    assert not any("probe" in words for words in said)  # PB-1 is fitted, and the head holds for it
