"""What a report says, and the two forms that it is given."""

from __future__ import annotations

import io
import json
import re
from typing import Any

import cv2
import numpy as np
import pytest
from inspection_examples import findings_body, verdicts_body
from pypdf import PdfReader
from report_examples import ISSUED, SHA, inspection, look_draft

from fringewise.record.chain import Draft
from fringewise.record.inspection import Inspection
from fringewise.render.outcome_shapes import SHAPES
from fringewise.render.report_html import report_html
from fringewise.render.report_pdf import report_pdf
from fringewise.report.build import Sources, build_report
from fringewise.report.parts import Figure, Report
from fringewise.verdict.words import CAUTION, CRACK_CAUTION, OUTCOME_WORDS


def report(outcomes: dict[str, str], worst: str, *more: Draft, **how: Any) -> Report:
    return build_report(
        inspection(outcomes, worst, *more, **how), Sources(names={"A": "technician A"}), ISSUED
    )


def test_first_page_says_the_worst_outcome_and_what_has_to_be_done() -> None:
    made = report({"F1": "serviceable", "F2": "not_decided", "F3": "reject"}, "reject")
    assert made.first.headline == "Reject"
    assert [one.outcome for one in made.first.to_do] == ["reject", "not_decided"]
    assert made.first.to_do[1].what == "Move to 14 mm or nearer: then 0.33 mm can be decided."
    assert made.first.to_do[0].size == "depth 0.312 ± 0.008 mm"


def test_looks_that_are_missing_are_on_the_first_page() -> None:
    hidden = look_draft("4", "leading edge", "could not be seen", "the probe did not pass the vane")
    made = report({}, "", hidden, seen=False)
    assert made.first.headline == "Nothing found on what was seen"
    assert made.first.detail.startswith("5 of 8 looks seen")
    assert made.first.not_seen == (
        "compressor 3 / 4 / leading edge: could not be seen, the probe did not pass the vane",
        "compressor 3, pressure side: not looked at on 3",
        "compressor 3, leading edge: not looked at on 3",
    )


@pytest.mark.parametrize("worst", [*OUTCOME_WORDS, ""])
@pytest.mark.parametrize("seen", [True, False])
def test_no_report_releases_an_engine(worst: str, seen: bool) -> None:
    outcomes = {"F1": worst or "no_rule"}
    made = report(outcomes, worst, seen=seen)
    said = json.dumps(report_plain(made)).lower()
    for word in ("airworthy", "fit to fly", '"ok"', "✓", "✔"):
        assert word not in said
    assert not re.search(r"\breleased\b", said)
    assert CAUTION in made.cautions
    if not seen:
        assert made.first.headline != "All findings within limits"


def report_plain(made: Report) -> Any:
    from dataclasses import asdict

    return asdict(made)


def test_limits_keep_their_unit_with_the_readers_beside_it() -> None:
    row = report({"F1": "serviceable"}, "serviceable").findings[0].limits[0]
    assert row.limit == "serviceable up to 0.013 in (0.3302 mm)"
    assert row.acceptance == "0.01274 in (0.3236 mm)"
    assert row.probability == "above 99.9 %"


def test_inches_are_for_who_chose_them() -> None:
    made = build_report(inspection({"F1": "serviceable"}, "serviceable"), Sources(), ISSUED, "in")
    assert made.findings[0].sizes[0].value == "0.0123 ± 0.0003 in"
    assert made.findings[0].limits[0].limit == "serviceable up to 0.013 in"


def test_a_later_doubt_stands_on_the_first_page() -> None:
    doubt = Draft("W-2041", "doubt", "1", {"words": "The head failed its block after the work."})
    made = report({"F1": "serviceable"}, "serviceable", doubt)
    assert made.first.doubts[0].endswith("The head failed its block after the work.")
    assert made.draft
    assert "not signed" in made.first.sign_off


def test_every_outcome_has_a_shape_of_its_own() -> None:
    drawings = [SHAPES[name] for name in (*OUTCOME_WORDS, "clean", "marked", "not seen")]
    assert len(set(drawings)) == len(drawings)


@pytest.fixture(scope="module")
def figures() -> dict[str, bytes]:
    picture = np.full((40, 60, 3), 200, np.uint8)
    return {"F1-photo.png": cv2.imencode(".png", picture)[1].tobytes()}


@pytest.fixture(scope="module")
def pdf(figures: dict[str, bytes]) -> PdfReader:
    shown = {"F1": (Figure("F1-photo.png", "photo of the dent with its outline", "Dent F1"),)}
    sources = Sources(names={"A": "technician A"}, finding_figures=shown)
    made = build_report(inspection({"F1": "not_decided"}, "not_decided", seen=False), sources, ISSUED)
    return PdfReader(io.BytesIO(report_pdf(made, figures, {"record": [1, 2, 3]}, ISSUED)))


def root(pdf: PdfReader) -> Any:
    return pdf.trailer["/Root"]


def test_pdf_is_marked_as_pdf_a_4f_and_tagged(pdf: PdfReader) -> None:
    # ISO 19005-4:2020: the file says part 4, conformance F; no validator is to be had here
    metadata = root(pdf)["/Metadata"].get_object().get_data().decode()
    assert re.search(r"pdfaid:part[>=\"]+4", metadata)
    assert re.search(r"pdfaid:conformance[>=\"]+F", metadata)
    assert root(pdf)["/MarkInfo"]["/Marked"] is True or str(root(pdf)["/MarkInfo"]["/Marked"]) == "True"
    assert "/StructTreeRoot" in root(pdf)
    assert root(pdf)["/Lang"] == "en"


def test_pdf_pictures_have_words_for_who_cannot_see_them(pdf: PdfReader) -> None:
    found: list[str] = []
    pending: list[Any] = [root(pdf)["/StructTreeRoot"]]
    while pending:
        one = pending.pop().get_object()
        if isinstance(one, dict):
            found += [str(one["/Alt"])] if "/Alt" in one else []
            kids = one.get("/K", [])
            kids = kids.get_object() if hasattr(kids, "get_object") else kids
            pending += list(kids) if isinstance(kids, list) else [kids]
    assert "photo of the dent with its outline" in found


def test_pdf_embeds_its_one_font_family(pdf: PdfReader) -> None:
    names, embedded = set(), []
    pages: list[Any] = list(pdf.pages)
    for page in pages:
        for font in page["/Resources"].get("/Font", {}).values():
            below = font.get_object()["/DescendantFonts"][0].get_object()
            names.add(str(below["/BaseFont"]).partition("+")[2].split("-")[0])
            descriptor = below["/FontDescriptor"].get_object()
            embedded.append(any(key in descriptor for key in ("/FontFile", "/FontFile2", "/FontFile3")))
    assert names == {"Inter"}
    assert all(embedded)


def test_pdf_carries_the_record_as_data(pdf: PdfReader) -> None:
    assert json.loads(pdf.attachments["results.json"][0]) == {"record": [1, 2, 3]}


def test_pdf_says_on_every_page_that_data_are_invented_and_nothing_is_signed(pdf: PdfReader) -> None:
    for page in pdf.pages:
        words = page.extract_text()
        assert "INVENTED DEMO DATA" in words
        assert "DRAFT, NOT SIGNED" in words
    first = pdf.pages[0].extract_text()
    assert "Not decided" in first
    assert "6 of 8 looks seen" in first
    assert "not looked at on 3" in first


def test_html_needs_nothing_else_and_what_was_typed_stays_text(figures: dict[str, bytes]) -> None:
    script = "<script>alert(1)</script>"
    made = report({"F1": "serviceable"}, "serviceable", note=script)
    page = report_html(made, figures, {"note": script})
    assert script not in page
    assert "&lt;script&gt;alert(1)" in page
    assert page.count("<script") == 1
    assert '<script type="application/json"' in page
    assert not re.search(r"""(?:src|href)=["'](?!data:)""", page)
    assert "http://" not in page.replace("http://www.w3.org/2000/svg", "")
    held = re.search(r'id="results">(.*?)</script>', page, re.DOTALL)
    assert held is not None
    assert json.loads(held[1]) == {"note": script}


def test_an_outcome_that_does_not_stand_is_provisional_wherever_the_report_says_it() -> None:
    made = build_report(doubtful_inspection(), Sources(), ISSUED)
    assert made.first.headline == "Provisional: all findings within limits"
    assert made.findings[0].outcome_words == "provisional: serviceable"
    assert [one.what for one in made.first.to_do] == ["provisional: serviceable"]
    assert "provisional: serviceable" in [item.words for item in made.stages[0].items]


def test_a_torn_dent_carries_the_caution_for_cracks() -> None:
    body = findings_body(SHA, "F1")
    body["document"]["findings"][0]["tear_or_crack"] = "yes"
    made = report({}, "", Draft("W-2041", "findings", SHA, body))
    assert CRACK_CAUTION in made.findings[0].cautions


def doubtful_inspection() -> Inspection:
    verdicts = verdicts_body({"F1": "serviceable"}, "serviceable")
    verdicts["document"]["findings"][0]["provisional"] = ["head HX-07 was not verified"]
    more = Draft("W-2041", "verdicts", "W-2041", verdicts)
    return inspection({"F1": "serviceable"}, "serviceable", more)
