"""The damage map of a stage as SVG: one item's outline, the book's zones, and each finding by its shape."""

from __future__ import annotations

import textwrap
from html import escape
from typing import Final

from fringewise.render.outcome_shapes import SHAPES
from fringewise.report.damage_map import DamageMap, MapMark, MapZone

_INK: Final = "#1d1b19"
_QUIET: Final = "#5d5853"
_LINE: Final = "#8d857b"
_LEFT, _TOP, _WIDE, _HIGH = 70.0, 46.0, 380.0, 250.0
_ROW: Final = 19.0
_MOST_A_ZONE: Final = 14
_FONT: Final = "font-family=\"Inter, 'Segoe UI', sans-serif\""


def damage_map_svg(found: DamageMap) -> bytes:
    """Draw the map; findings whose zone is not stated, or not placed by the book, stand beside the item."""
    placed = {zone.name for zone in found.zones}
    inside = [mark for mark in found.marks if mark.zone in placed]
    beside = [mark for mark in found.marks if mark.zone not in placed]
    parts = [_outline(), *(_zone(zone) for zone in found.zones)]
    parts += [_in_zone(zone, [m for m in inside if m.zone == zone.name]) for zone in found.zones]
    right = _LEFT + _WIDE + 56
    height = max(_TOP + _HIGH + 48, _TOP + _ROW * (len(beside) + 3))
    parts.append(_column(right, beside))
    head = f"{found.stage}: where the damage lies on a {found.part}; not to scale"
    width = right + 290
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" {_FONT}>'
        f"{_text(10, 20, head, weight=600)}{''.join(parts)}</svg>"
    ).encode()


def _outline() -> str:
    x, y = _LEFT, _TOP
    return (
        f'<path d="M{x} {y + _HIGH} L{x} {y} L{x + _WIDE} {y} L{x + _WIDE} {y + _HIGH} Z" fill="#f3f0ea" '
        f'stroke="{_INK}" stroke-width="1.2"/>'
        f"{_text(x + _WIDE / 2, y - 7, 'tip', anchor='middle', color=_QUIET)}"
        f"{_text(x + _WIDE / 2, y + _HIGH + 18, 'root', anchor='middle', color=_QUIET)}"
        f"{_text(x - 8, y + _HIGH / 2, 'leading edge', anchor='middle', color=_QUIET, turn=-90)}"
        f"{_text(x + _WIDE + 16, y + _HIGH / 2, 'trailing edge', anchor='middle', color=_QUIET, turn=-90)}"
    )


def _box(zone: MapZone) -> tuple[float, float, float, float]:
    left, right = (_LEFT + _WIDE * share for share in zone.chord)
    bottom, top = (_TOP + _HIGH * (1 - share) for share in zone.span)
    return left, top, right - left, bottom - top


def _zone(zone: MapZone) -> str:
    x, y, wide, high = _box(zone)
    return (
        f'<rect x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="{high:.1f}" fill="none" stroke="{_LINE}" '
        f'stroke-width="0.9" stroke-dasharray="5 3">'
        f"<title>{escape(zone.name)}: {escape(zone.words)}</title></rect>"
        f"{_name(zone.name, x + 4, y + high, wide)}"
    )


def _name(name: str, x: float, bottom: float, wide: float) -> str:
    """Write a zone's name at its lower edge, in as many lines as it needs."""
    lines = textwrap.wrap(name, max(int(wide / 4.6), 8))
    return "".join(
        _text(x, bottom - 5 - 10 * (len(lines) - 1 - n), line, size=8.5, color=_QUIET)
        for n, line in enumerate(lines)
    )


def _in_zone(zone: MapZone, marks: list[MapMark]) -> str:
    x, y, _, high = _box(zone)
    room = max(int((high - 22) // _ROW), 1)
    shown = marks[: min(room, _MOST_A_ZONE)]
    parts = [_mark(x + 6, y + 6 + n * _ROW, mark) for n, mark in enumerate(shown)]
    if len(marks) > len(shown):
        parts.append(
            _text(x + 6, y + 6 + len(shown) * _ROW + 12, f"and {len(marks) - len(shown)} more", size=9)
        )
    return "".join(parts)


def _column(x: float, marks: list[MapMark]) -> str:
    if not marks:
        return ""
    head = _text(x, _TOP + 4, "zone not stated, or not placed by the book", size=9, color=_QUIET)
    return head + "".join(_mark(x, _TOP + 16 + n * _ROW, mark) for n, mark in enumerate(marks))


def _mark(x: float, y: float, mark: MapMark) -> str:
    drawing = SHAPES.get(mark.outcome, SHAPES["marked"]).replace("currentColor", _INK)
    words = f"{mark.words}" + (f" ({mark.zone})" if mark.zone and x > _LEFT + _WIDE else "")
    place = f'<g transform="translate({x:.1f} {y:.1f}) scale(0.75)">{drawing}</g>'
    return place + _text(x + 17, y + 10, words, size=10)


def _text(
    x: float, y: float, words: str, *, size: float = 11, weight: int = 400, anchor: str = "start",
    color: str = _INK, turn: float = 0.0,
) -> str:  # fmt: skip
    turned = f' transform="rotate({turn:g} {x:.1f} {y:.1f})"' if turn else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" font-weight="{weight}" text-anchor="{anchor}" '
        f'fill="{color}"{turned}>{escape(words)}</text>'
    )
