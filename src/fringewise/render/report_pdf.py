"""The report as PDF/A-4f with tags and its data attached, set by typst from JSON only."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from fringewise.core.errors import PlaceUnusable
from fringewise.render.outcome_shapes import SHAPES, shape_svg
from fringewise.report.parts import Report

_HERE: Final = Path(__file__).parent
FONTS: Final = _HERE / "fonts"
STANDARD: Final = "a-4f"


def report_pdf(
    report: Report, figures: Mapping[str, bytes], attached: Mapping[str, Any], issued: datetime
) -> bytes:
    """Set a report.

    Parameters
    ----------
    report : Report
    figures : mapping of str to bytes
        PNG or SVG by the keys that the report's figures have, such as ``F1-photo.png``.
    attached : mapping
        Plain values that go into the file as ``results.json``.
    issued : datetime
        Time that the document states.

    Returns
    -------
    bytes
        PDF/A-4f with tags, not signed.

    Raises
    ------
    PlaceUnusable
        The program that sets it could not do so; the message says why.
    """
    import typst  # noqa: PLC0415 - 80 MB that only a report needs

    with tempfile.TemporaryDirectory(prefix="fringewise-report-") as folder:
        place = Path(folder)
        _lay_out(place, report, figures, attached)
        try:
            made: bytes = typst.compile(
                place / "report.typ",
                root=place,
                font_paths=[FONTS],
                ignore_system_fonts=True,
                pdf_standards=[STANDARD],
                timestamp=int(issued.timestamp()),
            )
        except (RuntimeError, ValueError, OSError) as error:
            raise PlaceUnusable(f"the report could not be set: {error}") from error
    return made


def report_data(report: Report) -> dict[str, Any]:
    """Give a report as plain values, with the shapes of its outcomes."""
    return {**asdict(report), "shapes": {name: shape_svg(name) for name in SHAPES}}


def _lay_out(place: Path, report: Report, figures: Mapping[str, bytes], attached: Mapping[str, Any]) -> None:
    (place / "report.typ").write_bytes((_HERE / "report.typ").read_bytes())
    data = json.dumps(report_data(report), ensure_ascii=False)
    (place / "report.json").write_text(data, encoding="utf-8")
    (place / "results.json").write_text(json.dumps(attached, ensure_ascii=False, indent=1), encoding="utf-8")
    (place / "figures").mkdir()
    for key, content in figures.items():
        (place / "figures" / Path(key).name).write_bytes(content)
