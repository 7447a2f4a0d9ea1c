"""The page of the open formats says what the program reads and writes."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from fringewise.capture.documents import parse_head
from fringewise.core.documents import parse
from fringewise.core.flags import FLAG_TABLE
from fringewise.core.measured import SOURCES
from fringewise.files.schemas import FORMATS, DocumentFormat, document_model
from fringewise.findings.documents import ANSWERS, MARKS, WORDS
from fringewise.findings.registry import KINDS


@pytest.fixture(scope="module")
def sections(project_root: Path) -> dict[str, str]:
    """Give the text of each section by the name of its format."""
    page = (project_root / "docs" / "formats.md").read_text(encoding="utf-8")
    parts = re.split(r"^## \d+\. ([^\n]+)\n", page, flags=re.MULTILINE)
    named = (
        (re.search(r"`fringewise\.(\w+)/1`", title), text)
        for title, text in zip(parts[1::2], parts[2::2], strict=True)
    )
    return {found[1] if found else "surface": text for found, text in named}


@pytest.mark.parametrize("one", FORMATS, ids=lambda one: one.name)
def test_each_example_is_a_whole_document(sections: dict[str, str], one: DocumentFormat) -> None:
    parse(document_model(one.name), example(sections[one.name], toml=one.toml), one.name, toml=one.toml)


def test_every_format_with_a_version_has_its_section(sections: dict[str, str]) -> None:
    assert {one.name for one in FORMATS} == set(sections) - {"surface"}


def test_the_head_of_the_page_is_a_head(sections: dict[str, str]) -> None:
    head = parse_head(example(sections["head"]))
    assert head.serial == "HX-07"
    assert head.camera.lens.distortion[:4] == (-0.11, 0.035, 0.0006, -0.0004)


def test_the_page_lists_the_kinds_with_their_marks(sections: dict[str, str]) -> None:
    rows = re.findall(r"^\| `(\w+)` \| (.*?) \|", sections["findings"], flags=re.MULTILINE)
    listed = {kind: marks for kind, marks in rows if kind in MARKS}
    assert set(listed) == set(MARKS)
    for kind, rules in MARKS.items():
        same_as = re.match(r"as `(\w+)`", listed[kind])
        words = listed[same_as[1]] if same_as else listed[kind]
        assert set(re.findall(r"\w+_px", words)) == {rule.name for rule in rules}, kind


def test_the_page_says_which_kinds_are_measured(sections: dict[str, str]) -> None:
    sentence = re.search(r"This version measures (.*?)\.", sections["findings"], flags=re.DOTALL)
    assert sentence is not None
    assert set(re.findall(r"`(\w+)`", sentence[1])) == set(KINDS)


def test_the_page_lists_what_a_finding_may_say(sections: dict[str, str]) -> None:
    for name in (*WORDS, *ANSWERS):
        assert f"`{name}`" in sections["findings"]


def test_the_page_lists_the_sources_of_a_budget(sections: dict[str, str]) -> None:
    table = sections["results"].split("closed list:")[1]
    assert re.findall(r"^\| `([a-z ]+)` \|", table, flags=re.MULTILINE) == list(SOURCES)


def test_flags_fit_the_bits_of_a_surface_file() -> None:
    assert max(int(row.flag) for row in FLAG_TABLE) < 1 << 16
    assert len({row.name for row in FLAG_TABLE}) == len(FLAG_TABLE)


def example(section: str, *, toml: bool = False) -> bytes:
    """Give the first block of a section, which must be a whole document."""
    block = re.search(
        rf"^```{'toml' if toml else 'json'}\n(.*?)^```", section, flags=re.MULTILINE | re.DOTALL
    )
    assert block is not None
    return block[1].encode()
