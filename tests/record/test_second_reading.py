"""Two readings of one capture: what belongs together, and when sizes disagree."""

from __future__ import annotations

from typing import Any

from fringewise.findings.documents import FindingsDocument
from fringewise.findings.result_documents import ResultsDocument
from fringewise.record.second_reading import disagreements

Reading = tuple[FindingsDocument, ResultsDocument]


def square(u: float, v: float, half: float = 20.0) -> list[list[float]]:
    return [[u - half, v - half], [u + half, v - half], [u + half, v + half], [u - half, v + half]]


def reading(*found: tuple[str, str, float, float, float | None]) -> Reading:
    """Findings (id, kind, u, v, depth); depth None: not measured. Of 5 µm, 3 µm are the marks' part."""
    marks = [{"id": one, "kind": kind, "outline_px": square(u, v)} for one, kind, u, v, _ in found]
    results: list[dict[str, Any]] = []
    for one, kind, _, _, depth in found:
        if depth is None:
            results.append({"id": one, "kind": kind, "status": "not_measured", "reason": "too dark"})
            continue
        budget = [
            {"source": "frame noise", "standard_uncertainty": 0.004},
            {"source": "marks", "standard_uncertainty": 0.003},
        ]
        size = {
            "name": "depth", "unit": "mm", "value": depth, "standard_uncertainty": 0.005,
            "coverage_factor": 2.0, "expanded_uncertainty": 0.01, "not_included": [], "bound": "both",
            "interval_95": [depth - 0.0098, depth + 0.0098], "budget": budget,
        }  # fmt: skip
        results.append({"id": one, "kind": kind, "status": "measured", "quantities": [size]})
    document = {"format": "fringewise.results/1", "program": "x", "capture": {}, "findings": results}
    return (
        FindingsDocument.model_validate({"format": "fringewise.findings/1", "findings": marks}),
        ResultsDocument.model_validate(document),
    )


def test_readings_within_what_marks_explain_agree() -> None:
    first, second = reading(("F1", "dent", 100, 100, 0.300)), reading(("S9", "dent", 104, 98, 0.308))
    assert disagreements(first, second) == ()  # 2 √2 · 3 µm = 8.5 µm are allowed


def test_frame_noise_explains_nothing_for_the_frames_are_shared() -> None:
    first, second = reading(("F1", "dent", 100, 100, 0.300)), reading(("S9", "dent", 104, 98, 0.309))
    (one,) = disagreements(first, second)
    assert (one.first, one.second) == ("F1", "S9")
    assert "depth 0.3 and 0.309 mm" in one.words


def test_what_only_one_reader_marked_is_said() -> None:
    first = reading(("F1", "dent", 100, 100, 0.3), ("F2", "dent", 400, 100, 0.2))
    second = reading(("S1", "dent", 101, 100, 0.3), ("S2", "hole", 400, 100, 0.2))
    words = [one.words for one in disagreements(first, second)]
    assert words == [
        "F2 was marked in the first reading only",
        "S2 was marked in the second reading only",
    ]


def test_the_nearest_belong_together() -> None:
    first = reading(("F1", "dent", 100, 100, 0.3), ("F2", "dent", 120, 100, 0.5))
    second = reading(("S1", "dent", 121, 100, 0.5), ("S2", "dent", 101, 100, 0.3))
    assert disagreements(first, second) == ()


def test_measured_by_one_reader_only_is_a_disagreement() -> None:
    first, second = reading(("F1", "dent", 100, 100, 0.3)), reading(("F1", "dent", 100, 100, None))
    assert [one.words for one in disagreements(first, second)] == [
        "F1 and F1: measured in the first reading only"
    ]
