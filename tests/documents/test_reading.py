"""What a document is refused for: each rule has a failing case, and all problems come at once."""

from __future__ import annotations

import copy
import json
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from document_examples import EXAMPLES, LIMITS_TOML
from hypothesis import given
from hypothesis import strategies as st

from fringewise.capture.documents import head_document, parse_head, path_fault
from fringewise.core.documents import MOST_BYTES, moment_of, parse, to_json
from fringewise.core.documents.text import LONGEST_LIST
from fringewise.core.errors import InputRefused
from fringewise.files.schemas import document_model
from fringewise.findings.documents import (
    KIND_DOCUMENTS,
    MARKS,
    MOST_MARKS,
    findings_document,
    parse_findings,
    refuse_marks_outside,
)

HALF = 0.5
CASES: list[tuple[str, tuple[Any, ...], Any, str]] = [
    # format, place, value put there (... deletes), the line
    ("head", ("serial",), ..., "serial: must be given"),
    ("head", ("serial",), " ", "serial: must not be blank (found blank text)"),
    ("head", ("serial",), 7, "serial: must be text (found 7)"),
    ("head", ("camera", "fx"), -3, "camera.fx: must be greater than 0 (found -3)"),
    ("head", ("camera", "fx"), 1e-300, "camera.fx: must be greater than 1e-09 (found 1e-300)"),
    ("head", ("camera", "fx"), 1e300, "camera.fx: must be 1,000,000,000 or less (found 1e+300)"),
    ("head", ("camera", "fx"), True, "camera.fx: must be a number (found true)"),
    ("head", ("camera", "fx"), "700", "camera.fx: must be a number (found 700)"),
    ("head", ("camera", "width"), 960.5, "camera.width: must be a whole number (found 960.5)"),
    ("head", ("camera", "width"), 1_000_000, "camera.width: must be 16,384 or less (found 1000000)"),
    ("head", ("camera", "distortion"), [0] * 9, "camera.distortion: must have 8 entries at most (found 9)"),
    ("head", ("camera",), [], "camera: must be an object with named fields (found [])"),
    ("head", ("calibrated_on",), "01.09.2025", "calibrated_on: must be a date such as 2026-03-14"),
    (
        "head",
        ("calibrated_on",),
        "2025-02-30",
        "calibrated_on: must be a date that exists (found 2025-02-30)",
    ),
    ("head", ("valid_until",), "2025-01-01", "valid_until: must not lie before calibrated_on"),
    (
        "head",
        ("projector", "rotation", 0, 0),
        HALF,
        "projector: projector rotation must be a rotation matrix",
    ),
    ("head", ("projector", "rotation"), [[1, 0, 0], [0, 1, 0]], "projector.rotation[2]: must be given"),
    ("head", ("projector", "translation_mm"), [0, 0, 0], "projector: projector translation_mm must be"),
    ("head", ("projector", "distortion"), [0.1], "projector.fy: fy, cy and height must be given where"),
    ("head", ("projector", "height"), 1.0, "projector.fy: fy, cy and height must be given where"),
    ("head", ("noise", "bits"), 17, "noise.bits: must be 16 or less (found 17)"),
    ("head", ("noise", "read_dn"), -1, "noise.read_dn: must be 0 or more (found -1)"),
    ("head", ("covariance", "matrix"), [[1.0]], "covariance.matrix: must have 2 rows of 2 numbers"),
    ("head", ("covariance", "matrix"), [[1, 2], [2, 1]], "covariance: covariance must be positive semidefin"),
    ("head", ("covariance", "matrix"), [[1, 2], [0, 9]], "covariance: covariance must be symmetric"),
    ("head", ("covariance", "parameters", 1), "camera.fx", "covariance: covariance names a parameter twice"),
    ("head", ("covariance", "parameters", 1), "zoom", "covariance: covariance names an unknown parameter"),
    ("head", ("working_range_mm",), [60, 6], "working_range_mm: must rise (found 60 to 6)"),
    ("head", ("phase_ripple_rad",), -0.1, "phase_ripple_rad: must be 0 or more (found -0.1)"),
    ("capture", ("captured_at",), "2026-03-14T09:26:53", "captured_at: must be a moment with its zone"),
    ("capture", ("captured_at",), "2026-03-14T29:26:53Z", "captured_at: must be a date and time that exists"),
    ("capture", ("head",), ..., "head: must be given where there are fringe_sets"),
    ("capture", ("head",), "../head.json", "head: must stay inside the folder of the capture"),
    ("capture", ("photo",), "/photo.png", "photo: must stay inside the folder of the capture"),
    ("capture", ("photo",), "C:\\photo.png", "photo: must be a path inside the folder written with /"),
    ("capture", ("photo",), "frames/nul.png", "photo: must not be the name of a device"),
    ("capture", ("fringe_sets", 1, "fringes"), 0, "fringe_sets[1].fringes: must be greater than 0 (found 0)"),
    ("capture", ("fringe_sets", 1, "fringes"), 1e9, "fringe_sets[1].fringes: must be 100,000 or less"),
    ("capture", ("fringe_sets", 0, "across"), "depth", "fringe_sets[0].across: must be one of 'columns' or"),
    (
        "capture",
        ("fringe_sets", 0, "shifts_deg"),
        [0, 90],
        "fringe_sets[0].shifts_deg: must have 3 or more entries (found 2)",
    ),
    (
        "capture",
        ("fringe_sets", 0, "shifts_deg"),
        [0, 360, 720, 0],
        "fringe_sets[0].shifts_deg: the shifts don't tell the phase",
    ),
    (
        "capture",
        ("fringe_sets", 0, "shifts_deg"),
        [0, 90, 180],
        "fringe_sets[0].frames: must name one frame for each shift (found 4 frames for 3 shifts)",
    ),
    (
        "capture",
        ("fringe_sets", 1, "frames", 0),
        "frames/set0_0.png",
        "fringe_sets[1].frames: each frame must be a file of its own (found frames/set0_0.png)",
    ),
    ("findings", ("findings", 0, "kind"), "dnt", "findings[0].kind: must be one of 'dent', 'gouge'"),
    ("findings", ("findings", 0, "kind"), ..., "findings[0].kind: must be given"),
    ("findings", ("findings", 0, "outline_px"), ..., "findings[0].outline_px: must be given"),
    (
        "findings",
        ("findings", 0, "outline_px"),
        [[1, 2], [3, 4]],
        "findings[0].outline_px: must have 3 or more entries (found 2)",
    ),
    ("findings", ("findings", 0, "outline_px", 1), [1], "findings[0].outline_px[1][1]: must be given"),
    ("findings", ("findings", 0, "outline_px", 1, 0), "a", "findings[0].outline_px[1][0]: must be a number"),
    (
        "findings",
        ("findings", 0, "outline_px", 1, 0),
        -1e7,
        "findings[0].outline_px[1][0]: must be -1,000,000",
    ),
    ("findings", ("findings", 0, "sharp_bottom"), "maybe", "findings[0].sharp_bottom: must be one of 'yes'"),
    ("findings", ("findings", 1, "id"), "F1", "findings[1].id: must be unique in its file (found F1)"),
    ("findings", ("placing_px",), -1, "placing_px: must be 0 or more (found -1)"),
    ("results", ("findings", 1, "reason"), ..., "findings[1].reason: must be given where the finding was"),
    (
        "results",
        ("findings", 0, "quantities"),
        ...,
        "findings[0].quantities: must be given where the finding",
    ),
    (
        "results",
        ("findings", 0, "quantities", 0, "standard_uncertainty"),
        0.04,
        "findings[0].quantities[0].budget: its squares must add up",
    ),
    (
        "results",
        ("findings", 0, "quantities", 0, "interval_95"),
        [1, 0],
        "findings[0].quantities[0].interval_95: must rise",
    ),
    (
        "results",
        ("findings", 0, "quantities", 0, "budget", 0, "source"),
        "luck",
        "findings[0].quantities[0].budget[0].source: must be one of 'frame noise'",
    ),
    ("target", ("kind",), "dots", "dark_on_light: must be given for dots"),
    ("target", ("valid_until",), "2025-01-01", "valid_until: must not lie before calibrated_on"),
    ("block", ("valid_until",), "2025-01-01", "valid_until: must not lie before calibrated_on"),
    ("block", ("features", 0, "kind"), "dnt", "features[0].kind: must be one of dent, gouge"),
    (
        "block",
        ("features",),
        EXAMPLES["block"]["features"] * 2,
        "features[1]: each quantity of a feature must stand once (found L1 straight)",
    ),
    (
        "verification",
        ("features", 0, "passed"),
        False,
        "outcome: must not be passed unless there are features",
    ),
    (
        "verification",
        ("features",),
        EXAMPLES["verification"]["features"] * 2,
        "features[1]: each quantity of a feature must stand once",
    ),
    ("limits", ("checked_by",), "technician A", "checked_by: must be a second person"),
    ("limits", ("decision",), {"rule": "guard band k U"}, "decision.k: must be given for a guard band"),
    (
        "limits",
        ("decision",),
        {"rule": "conformance probability p"},
        "decision.p: must be given for a conformance probability",
    ),
    ("limits", ("zone", 0, "from_tip"), [22, 0], "zone[0].from_tip: must rise (found 22 to 0)"),
    (
        "limits",
        ("rule", 0, "blend_up_to"),
        0.1,
        "rule[0].blend_up_to: must not be less than inspect_again_up",
    ),
    ("limits", ("rule", 0, "interval"), {}, "rule[0].interval: must state cycles, hours or days"),
    ("limits", ("rule", 1, "id"), "C3-LE-NICK", "rule[1].id: must be unique in the book (found C3-LE-NICK)"),
    ("limits", ("count", 0, "unit"), ..., "count[0].unit: must be given where there is a length"),
    ("limits", ("count", 0, "kind"), "dnt", "count[0].kind: must be any, or one of dent"),
    (
        "limits",
        ("count", 0, "sum_max"),
        {"quantity": "area"},
        "count[0].sum_max: must state per_blade or per_",
    ),
    (
        "limits",
        ("rule", 1),
        {"id": "X", "part": "p", "kind": "dent", "quantity": "depth", "unit": "mm"},
        "rule[1]: must state a limit: one of serviceable_up_to",
    ),
    (
        "verdicts",
        ("findings", 1, "between"),
        ...,
        "findings[1].between: must be given where the outcome is not",
    ),
    (
        "verdicts",
        ("findings", 1, "act_as"),
        ...,
        "findings[1].act_as: must be given where the outcome is not",
    ),
    ("verdicts", ("limits", "sha256"), "xyz", "limits.sha256: must be a SHA-256 in 64 small hexadecimal"),
    (
        "workcard",
        ("stage",),
        EXAMPLES["workcard"]["stage"] * 2,
        "stage[1].name: must be unique in the card (found compressor 3)",
    ),
    (
        "workcard",
        ("stage", 0, "looks", 1, "name"),
        "pressure side",
        "stage[0].looks[1].name: must be unique in its stage",
    ),
]


@pytest.mark.parametrize(("name", "place", "value", "line"), CASES)
def test_a_wrong_value_is_named_with_its_rule(
    name: str, place: tuple[Any, ...], value: Any, line: str
) -> None:
    lines = refusal(name, spoilt(name, place, value))
    assert [one for one in lines if one.startswith(f"x: {line}")], lines
    assert len(lines) == 1, lines


def test_all_problems_come_at_once() -> None:
    document = copy.deepcopy(EXAMPLES["head"])
    document["camera"]["fx"] = -1
    document["projector"]["rotation"][0][0] = 0.5
    document["noise"]["bits"] = "8"
    document["valid_until"] = "never"
    del document["serial"]
    fields = [line.split(": ")[1] for line in refusal("head", document)]
    assert sorted(fields) == ["camera.fx", "noise.bits", "projector", "serial", "valid_until"]


def test_at_most_twenty_problems_are_shown_then_a_count() -> None:
    document = copy.deepcopy(EXAMPLES["capture"])
    document["fringe_sets"] = [one | {"fringes": -1} for one in EXAMPLES["capture"]["fringe_sets"]] * 20
    lines = refusal("capture", document)
    assert len(lines) == 21
    assert lines[-1] == "and 40 more problems"


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (b"", "x: must be JSON; it breaks off or goes wrong at line 1, column 1"),
        (b'{"format":', "x: must be JSON; it breaks off or goes wrong at line 1, column 11"),
        (b"[1, 2]", "x: must be an object with named fields (found [1, 2])"),
        (b"\xff\xfe{}", "x: must be UTF-8 text; byte 0 is not"),
        (b"[" * 200_000, "x: must not be nested deeper than 64 levels"),
        (b'{"a": ' * 80 + b"1" + b"}" * 80, "x: a.a.a.a"),
        (b'{"serial": ' + b"9" * 5000 + b"}", "x: must not hold a number of thousands of digits"),
        (b'{"serial": ' + b"9" * 400 + b"}", "x: serial: must be a number of ordinary size"),
        (b'{"serial": "a", "serial": "b"}', "x: serial: must be given once, not twice"),
        (b'{"camera": {"fx": NaN}}', "x: camera.fx: must be a finite number (found NaN)"),
        (b'{"maker": [Infinity]}', "x: maker[0]: must be a finite number (found inf)"),
        (b'{"camera": {"fx": 1e999}}', "x: camera.fx: must be a finite number (found inf)"),
        (b'{"serial": "\\ud800"}', "x: serial: must be valid Unicode text (found ?)"),
        (b'{"\\ud800": 1}', "x: every name must be valid Unicode text (found ?)"),
        (b" " * (MOST_BYTES + 1), "x: must not be larger than 8 MiB (found 8.0 MiB)"),
    ],
)
def test_text_that_is_no_document_is_refused(text: bytes, line: str) -> None:
    lines = refusal_of_text("head", text)
    assert [one for one in lines if one.startswith(line)], lines


def test_toml_that_goes_wrong_is_refused_with_its_place() -> None:
    with pytest.raises(InputRefused, match=r"must be TOML; it goes wrong: .*line 4"):
        parse(document_model("limits"), b"\na = 1\nb = 2\nc = \n", "limits.toml", toml=True)


def test_toml_with_a_number_that_is_none_is_refused() -> None:
    text = LIMITS_TOML.replace("0.25", "nan").encode()
    with pytest.raises(InputRefused, match=r"rule\[0\].serviceable_up_to: must be a finite number"):
        parse(document_model("limits"), text, "limits.toml", toml=True)


def test_a_limits_book_and_a_byte_order_mark_are_read() -> None:
    parse(document_model("limits"), b"\xef\xbb\xbf" + LIMITS_TOML.encode(), "limits.toml", toml=True)


def test_unknown_fields_survive_reading_and_writing() -> None:
    document = copy.deepcopy(EXAMPLES["head"])
    document["maker"] = {"line": 3, "tools": [{"a": 1}]}
    document["camera"]["sensor"] = "S1"
    written = head_document(parse_head(json.dumps(document).encode()))
    assert written["maker"] == document["maker"]
    assert written["camera"]["sensor"] == "S1"


def test_a_head_survives_writing_and_reading() -> None:
    head = parse_head(json.dumps(EXAMPLES["head"]).encode())
    again = parse_head(to_json(head_document(head)))
    assert again.camera == head.camera
    assert again.projector.lens == head.projector.lens
    assert np.array_equal(again.projector.rotation, head.projector.rotation)
    assert head.covariance is not None
    assert again.covariance is not None
    assert np.array_equal(again.covariance.matrix, head.covariance.matrix)
    assert (again.noise, again.calibrated_on, again.working_range_mm) == (
        head.noise,
        head.calibrated_on,
        head.working_range_mm,
    )


def test_findings_survive_writing_and_reading() -> None:
    text = json.dumps(EXAMPLES["findings"]).encode()
    findings = parse_findings(text)
    again = parse_findings(to_json(findings_document(findings)))
    assert [one.identity for one in again] == ["F1", "F2"]
    assert np.array_equal(again[0].marks["outline_px"], findings[0].marks["outline_px"])
    assert (again[0].item, again[1].note, again[1].whole_extent_in_view) == ("7", "rub", "no")


@pytest.mark.parametrize("kind", sorted(MARKS))
def test_each_kind_asks_for_its_marks(kind: str) -> None:
    needed = [rule.name for rule in MARKS[kind] if not rule.optional]
    lines = refusal("findings", finding_file({"id": "F", "kind": kind})) if needed else []
    assert lines == [f"x: findings[0].{name}: must be given" for name in needed]
    marks = {rule.name: [[n, n] for n in range(rule.least)] for rule in MARKS[kind]}
    (read,) = parse_findings(json.dumps(finding_file({"id": "F", "kind": kind, **marks})).encode())
    assert {name: len(points) for name, points in read.marks.items()} == {
        rule.name: rule.least for rule in MARKS[kind]
    }


def test_the_kinds_are_those_of_the_format() -> None:
    # the table of format 3, in its order
    assert list(KIND_DOCUMENTS) == [
        *("dent", "gouge", "crack", "edge_nick", "edge_bend", "corner_loss", "tip_loss", "blend", "area"),
        *(
            "hole",
            "path",
            "distance",
            "offset",
            "step",
            "clearance",
            "flat",
            "sphere",
            "observation",
            "object",
        ),
    ]


@pytest.mark.parametrize(("count", "most"), [(1_000_000, LONGEST_LIST), (MOST_MARKS + 1, MOST_MARKS)])
def test_a_million_marks_are_refused_in_one_line(count: int, most: int) -> None:
    finding = {"id": "F", "kind": "flat", "outline_px": [[1, 2]] * count}
    text = json.dumps(finding_file(finding), separators=(",", ":")).encode()
    assert len(text) < MOST_BYTES
    lines = refusal_of_text("findings", text)
    assert lines == [f"x: findings[0].outline_px: must have {most:,} entries at most (found {count:,})"]


def test_marks_outside_the_photo_are_named() -> None:
    marks = [[-0.5, 0], [63.5, 47.5], [-0.6, 5], [3, 47.6]]
    findings = parse_findings(
        json.dumps(finding_file({"id": "F", "kind": "area", "outline_px": marks})).encode()
    )
    with pytest.raises(InputRefused) as refused:
        refuse_marks_outside(findings, (48, 64), "findings.json")
    assert [problem.field for problem in refused.value.problems] == [
        "findings[0].outline_px[2]",
        "findings[0].outline_px[3]",
    ]


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("2026-03-14T09:26:53Z", datetime(2026, 3, 14, 9, 26, 53, tzinfo=UTC)),
        ("2026-03-14t09:26:53z", datetime(2026, 3, 14, 9, 26, 53, tzinfo=UTC)),
        ("2026-03-14 10:26:53.25+01:00", datetime(2026, 3, 14, 9, 26, 53, 250_000, tzinfo=UTC)),
        ("2026-03-14T09:26:53.123456789Z", datetime(2026, 3, 14, 9, 26, 53, 123_456, tzinfo=UTC)),
        ("1990-12-31T23:59:60Z", datetime(1990, 12, 31, 23, 59, 59, tzinfo=UTC)),  # RFC 3339, section 5.8
    ],
)
def test_moments_are_read_as_the_standard_writes_them(text: str, moment: datetime) -> None:
    assert moment_of(text) == moment


@given(st.text(max_size=40))
def test_a_path_without_fault_stays_inside(path: str) -> None:
    if path and not path_fault(path):
        assert not path.startswith("/")
        assert ".." not in path.split("/")
        assert not set(path) & set("\\:\0\n")


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
        lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
        max_leaves=20,
    )
)
def test_any_json_is_read_or_refused_with_a_problem(value: Any) -> None:
    for name in ("head", "findings", "limits"):
        text = json.dumps({"format": f"fringewise.{name}/1", "more": value, "findings": value, "rule": value})
        try:
            parse(document_model(name), text.encode(), "x")
        except InputRefused as refused:
            assert refused.problems  # noqa: PT017 - it may be read as well


def finding_file(finding: dict[str, Any]) -> dict[str, Any]:
    return {"format": "fringewise.findings/1", "findings": [finding]}


def spoilt(name: str, place: tuple[Any, ...], value: Any) -> dict[str, Any]:
    document = copy.deepcopy(EXAMPLES[name])
    spot: Any = document
    for step in place[:-1]:
        spot = spot[step]
    if value is ...:
        del spot[place[-1]]
    else:
        spot[place[-1]] = value
    return document


def refusal(name: str, document: dict[str, Any]) -> list[str]:
    return refusal_of_text(name, json.dumps(document).encode())


def refusal_of_text(name: str, text: bytes) -> list[str]:
    with pytest.raises(InputRefused) as refused:
        parse(document_model(name), text, "x")
    return str(refused.value).splitlines()
