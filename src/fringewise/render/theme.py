"""The look of pictures: two themes that are equals, one accent colour, the scales' colours, type sizes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

ThemeName = Literal["light", "dark"]
Rgb = tuple[int, int, int]

FONT: Final = "DejaVu Sans"
"""Shipped with matplotlib on every system; its figures are all equally wide."""

SMALL_PT: Final = 9.5
TEXT_PT: Final = 10.5
LABEL_PT: Final = 12.0
TITLE_PT: Final = 15.0
VALUE_PT: Final = 27.0

HAIR_PT: Final = 0.7
LINE_PT: Final = 1.1


@dataclass(frozen=True, slots=True)
class Theme:
    """Colours of one theme, as ``#rrggbb``.

    Attributes
    ----------
    name : {"light", "dark"}
    paper : str
        The page.
    panel : str
        A field on the page that holds no data.
    rule : str
        Hair lines that part things.
    ink : str
        Values with their doubts, titles and all else that counts.
    quiet : str
        Where, when and under what; still easy to read on `paper`.
    accent : str
        What is being worked on, on the page.
    accent_on_photo : str
        The same hue, bright enough for a dark photo; it always has a dark line of its own under it.
    """

    name: ThemeName
    paper: str
    panel: str
    rule: str
    ink: str
    quiet: str
    accent: str
    accent_on_photo: str


LIGHT: Final = Theme("light", "#f7f4ef", "#e9e4dc", "#cdc6bb", "#1f1b17", "#5c554c", "#00707a", "#6fe3e1")
DARK: Final = Theme("dark", "#1b1917", "#292623", "#4a453f", "#f1ece4", "#b3aca1", "#62cfd0", "#6fe3e1")

_THEMES: Final = {"light": LIGHT, "dark": DARK}

BELOW: Final[tuple[Rgb, Rgb]] = ((150, 122, 214), (50, 16, 108))
"""Deviation below the restored metal, from just beyond U to the scale's end.

Violet and ochre are told apart by people with any of the common colour-vision deficiencies; without any
colour, deeper is darker and higher is brighter.
"""

ABOVE: Final[tuple[Rgb, Rgb]] = ((208, 132, 34), (255, 224, 130))

ONE_WAY_MAP: Final = "cividis"
"""Perceptually uniform, one direction, made for colour-blind eyes."""


def theme_named(theme: ThemeName | Theme) -> Theme:
    """Give a theme by its name.

    Raises
    ------
    ValueError
        There is no theme of that name.

    Examples
    --------
    >>> theme_named("dark").paper
    '#1b1917'
    """
    if isinstance(theme, Theme):
        return theme
    if theme not in _THEMES:
        raise ValueError(f"a theme is one of {', '.join(_THEMES)} (found {theme})")
    return _THEMES[theme]
