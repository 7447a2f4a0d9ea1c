"""The damage map puts findings where the technician and the book say, and says so where neither does."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree as ET

from report_examples import inspection

from fringewise.render.damage_map import damage_map_svg
from fringewise.report.damage_map import MapMark, damage_map
from fringewise.verdict.documents import LimitsDocument

ZONES = (
    {"name": "leading edge", "part": "compressor 3 blade", "unit": "mm", "from_leading_edge": (0.0, 3.0)},
    {"name": "face", "part": "compressor 3 blade", "unit": "mm", "from_leading_edge": (3.0, 20.0)},
    {"name": "trailing edge", "part": "compressor 3 blade", "unit": "mm", "from_trailing_edge": (0.0, 3.0)},
    {"name": "of another part", "part": "vane", "unit": "mm", "from_tip": (0.0, 3.0)},
)
BOOK = LimitsDocument.model_validate(
    {"format": "fringewise.limits/1", "title": "t", "source": "s", "zone": ZONES}
)


def test_zones_follow_each_other_from_edge_to_edge() -> None:
    found = damage_map(inspection({"F1": "reject"}, "reject"), "compressor 3", BOOK)
    leading, face, trailing = found.zones
    assert leading.chord[0] == 0.0
    assert leading.chord[1] == face.chord[0]
    assert face.chord[1] <= trailing.chord[0]
    assert trailing.chord[1] == 1.0
    assert leading.words == "0 to 3 mm from the leading edge"


def test_a_finding_without_a_known_zone_stands_beside_the_item() -> None:
    found = damage_map(inspection({"F1": "reject", "F2": "blend"}, "reject"), "compressor 3", BOOK)
    assert [(one.words, one.outcome, one.zone) for one in found.marks] == [
        ("2: F1", "reject", ""), ("2: F2", "blend", ""),
    ]  # fmt: skip
    placed = replace(
        found, marks=(MapMark("2: F1", "reject", "face"), MapMark("2: F2", "blend", "<fir tree>"))
    )
    words = [one.text for one in ET.fromstring(damage_map_svg(placed)).iter() if one.text]
    assert "2: F1" in words
    assert "2: F2 (<fir tree>)" in words
    assert "zone not stated, or not placed by the book" in words


def test_every_finding_of_a_crowded_zone_is_counted() -> None:
    found = damage_map(inspection({"F1": "reject"}, "reject"), "compressor 3", BOOK)
    many = tuple(MapMark(f"7: F{n}", "blend", "face") for n in range(30))
    picture = damage_map_svg(replace(found, marks=many)).decode()
    shown = picture.count("7: F")
    assert f"and {30 - shown} more" in picture
