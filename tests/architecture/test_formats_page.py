"""The page of the open formats says what the program reads and writes."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from fringewise.capture.documents import CaptureDocument, HeadDocument, parse_head
from fringewise.core.documents import Part, parse
from fringewise.core.flags import FLAG_TABLE
from fringewise.core.measured import SOURCES
from fringewise.findings.documents import ANSWERS, MARKS, WORDS, FindingsDocument
from fringewise.findings.registry import KINDS
from fringewise.findings.result_documents import ResultsDocument


@pytest.fixture(scope="module")
def sections(project_root: Path) -> dict[str, str]:
    page = (project_root / "docs" / "formats.md").read_text(encoding="utf-8")
    parts = re.split(r"^## \d+\. ([^—\n]+?) —[^\n]*\n", page, flags=re.MULTILINE)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


@pytest.mark.parametrize(
    ("section", "model"),
    [
        ("Capture folder", CaptureDocument),
        ("Head calibration", HeadDocument),
        ("Findings", FindingsDocument),
        ("Results", ResultsDocument),
    ],
)
def test_each_example_is_a_whole_document(sections: dict[str, str], section: str, model: type[Part]) -> None:
    parse(model, example(sections[section]), section)


def test_the_head_of_the_page_is_a_head(sections: dict[str, str]) -> None:
    head = parse_head(example(sections["Head calibration"]))
    assert head.serial == "HX-07"
    assert head.camera.lens.distortion[:4] == (-0.11, 0.035, 0.0006, -0.0004)


def test_the_page_lists_the_kinds_with_their_marks(sections: dict[str, str]) -> None:
    rows = re.findall(r"^\| `(\w+)` \| (.*?) \|", sections["Findings"], flags=re.MULTILINE)
    listed = {kind: marks for kind, marks in rows if kind in MARKS}
    assert set(listed) == set(MARKS)
    for kind, rules in MARKS.items():
        same_as = re.match(r"as `(\w+)`", listed[kind])
        words = listed[same_as[1]] if same_as else listed[kind]
        assert set(re.findall(r"\w+_px", words)) == {rule.name for rule in rules}, kind


def test_the_page_says_which_kinds_are_measured(sections: dict[str, str]) -> None:
    sentence = re.search(r"This version measures (.*?)\.", sections["Findings"], flags=re.DOTALL)
    assert sentence is not None
    assert set(re.findall(r"`(\w+)`", sentence[1])) == set(KINDS)


def test_the_page_lists_what_a_finding_may_say(sections: dict[str, str]) -> None:
    for name in (*WORDS, *ANSWERS):
        assert f"`{name}`" in sections["Findings"]


def test_the_page_lists_the_sources_of_a_budget(sections: dict[str, str]) -> None:
    table = sections["Results"].split("closed list:")[1]
    assert re.findall(r"^\| `([a-z ]+)` \|", table, flags=re.MULTILINE) == list(SOURCES)


def test_flags_fit_the_bits_of_a_surface_file() -> None:
    assert max(int(row.flag) for row in FLAG_TABLE) < 1 << 16
    assert len({row.name for row in FLAG_TABLE}) == len(FLAG_TABLE)


def example(section: str) -> bytes:
    """Give the first JSON block of a section, which must be a JSON document."""
    block = re.search(r"^```json\n(.*?)^```", section, flags=re.MULTILINE | re.DOTALL)
    assert block is not None
    json.loads(block[1])
    return block[1].encode()
