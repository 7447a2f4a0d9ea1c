"""The report as one HTML file that needs nothing else: pictures and data inside, no script, no request."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from fringewise.render.outcome_shapes import SHAPES, shape_svg
from fringewise.report.parts import Report

_HERE: Final = Path(__file__).parent


def report_html(report: Report, figures: Mapping[str, bytes], attached: Mapping[str, Any]) -> str:
    """Write a report; parameters as for `fringewise.render.report_pdf.report_pdf`.

    All words of the record are escaped: what somebody typed can't become markup.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined  # noqa: PLC0415 - only reports need it
    from markupsafe import Markup  # noqa: PLC0415

    environment = Environment(loader=FileSystemLoader(_HERE), autoescape=True, undefined=StrictUndefined)
    shapes = {name: Markup(shape_svg(name, "currentColor")) for name in SHAPES}  # noqa: S704 - our own drawings
    data = json.dumps(attached, ensure_ascii=False).replace("<", "\\u003c")
    return environment.get_template("report.html.j2").render(
        r=report,
        shapes=shapes,
        figures={key: _address(key, content) for key, content in figures.items()},
        attached=Markup(data),  # noqa: S704 - JSON without any "<"
    )


def _address(key: str, content: bytes) -> str:
    kind = "image/svg+xml" if key.endswith(".svg") else "image/png"
    return f"data:{kind};base64,{base64.b64encode(content).decode()}"
