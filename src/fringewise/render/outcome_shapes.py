"""Outcomes and states as shapes of their own, told apart in black and white at 12 px, as small SVGs."""

from __future__ import annotations

from typing import Final

_STROKE: Final = 'fill="none" stroke="currentColor" stroke-width="2"'
_FILL: Final = 'fill="currentColor"'

SHAPES: Final[dict[str, str]] = {
    "clean": f'<circle cx="8" cy="8" r="6" {_STROKE}/>',
    "serviceable": f'<circle cx="8" cy="8" r="6" {_STROKE}/><circle cx="8" cy="8" r="2.2" {_FILL}/>',
    "inspect_again": f'<rect x="2.5" y="2.5" width="11" height="11" {_STROKE}/>',
    "blend": f'<path d="M8 1.5 L14.5 8 L8 14.5 L1.5 8 Z" {_STROKE}/>',
    "reject": f'<rect x="1.5" y="1.5" width="13" height="13" {_FILL}/>',
    "not_decided": f'<circle cx="8" cy="8" r="6" {_STROKE}/><path d="M8 2 A6 6 0 0 1 8 14 Z" {_FILL}/>',
    "not_measured": f'<path d="M2.5 2.5 L13.5 13.5 M13.5 2.5 L2.5 13.5" {_STROKE}/>',
    "no_rule": f'<path d="M8 2.5 L14.5 13.5 L1.5 13.5 Z" {_STROKE}/>',
    "marked": f'<circle cx="8" cy="8" r="6" {_FILL}/>',
    "not seen": f'<rect x="2" y="7" width="12" height="2" {_FILL}/>',
}
"""The drawing of each, in a field of 16 by 16."""


def shape_svg(name: str, color: str = "#1d1b19") -> str:
    """Give a shape as an SVG picture of 16 by 16; an unknown name gives the bar of what was not seen.

    Examples
    --------
    >>> shape_svg("reject").startswith('<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 16 16"')
    True
    """
    drawing = SHAPES.get(name, SHAPES["not seen"]).replace("currentColor", color)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 16 16" width="16" height="16">{drawing}</svg>'
    )
