"""Writing a picture as PNG: whole or not at all, and the same bytes for the same picture."""

from __future__ import annotations

import io
from pathlib import Path

from matplotlib.figure import Figure

from fringewise.disk import write_bytes


def png_of(figure: Figure) -> bytes:
    """Give a picture as PNG; nothing in it tells when or where it was made."""
    made = io.BytesIO()
    figure.savefig(made, format="png", metadata={"Software": None}, facecolor=figure.get_facecolor())
    return made.getvalue()


def write_picture(figure: Figure, path: Path) -> None:
    """Write a picture as PNG, whole or not at all.

    Raises
    ------
    PlaceUnusable
        It can't be written there.
    """
    write_bytes(path, png_of(figure))
