"""The built pages: files that were built into the package, by name, and nothing else."""

from __future__ import annotations

import mimetypes
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Final

from starlette.responses import PlainTextResponse, Response

_TYPES: Final = {
    ".html": "text/html; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".svg": "image/svg+xml",
    ".woff2": "font/woff2",
    ".json": "application/json",
}
_NOT_BUILT: Final = (
    "The workbench's pages are not built. Install the package again (`pip install .`), or in a checkout run "
    "`python tools/pages.py build`.\n"
)


def front_page() -> Response:
    """Give the one page that the browser runs."""
    return page("index.html") or PlainTextResponse(_NOT_BUILT, 503)


def page(path: str) -> Response | None:
    """Give a built file by its path inside the pages; None where there is none of that name."""
    found = _files().get(path)
    if found is None:
        return None
    lasting = path.startswith("assets/")  # their names hold a hash of their content
    headers = {"cache-control": "private, max-age=31536000, immutable" if lasting else "no-store"}
    return Response(found.read_bytes(), headers=headers, media_type=_type(path))


def is_built() -> bool:
    """Whether the pages are there."""
    return "index.html" in _files()


@cache
def _files() -> dict[str, Traversable]:
    """Every built file by its path, looked up once: a path from outside is only ever a key here."""
    found: dict[str, Traversable] = {}
    root = files("fringewise.workbench") / "static"
    if root.is_dir():
        _add(root, "", found)
    return found


def _add(folder: Traversable, prefix: str, found: dict[str, Traversable]) -> None:
    for one in folder.iterdir():
        if one.is_dir():
            _add(one, f"{prefix}{one.name}/", found)
        elif not one.name.startswith("."):
            found[f"{prefix}{one.name}"] = one


def _type(path: str) -> str:
    ending = path[path.rfind(".") :]
    return _TYPES.get(ending) or mimetypes.guess_type(path)[0] or "application/octet-stream"
