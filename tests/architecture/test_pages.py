"""What the documentation states about the project is what the project is."""

from __future__ import annotations

import importlib
import re
import tomllib
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest


@pytest.fixture(scope="module")
def project(project_root: Path) -> dict[str, Any]:
    settings = tomllib.loads((project_root / "pyproject.toml").read_text(encoding="utf-8"))
    return {"build": settings["build-system"]["requires"], **settings["project"]}


def test_each_dependency_has_its_reason(project_root: Path, project: dict[str, Any]) -> None:
    page = (project_root / "docs" / "dependencies.md").read_text(encoding="utf-8")
    for title, wanted in [
        ("To run", project["dependencies"]),
        ("For a shop", project["optional-dependencies"]["shop"]),
        ("To work on it", project["optional-dependencies"]["dev"]),
        ("To build", project["build"]),
    ]:
        section = page.split(f"## {title}\n")[1].split("\n## ")[0]
        named = re.findall(r"^\| `([a-z0-9-]+)` \|", section, flags=re.MULTILINE)
        assert sorted(named) == sorted(re.split(r"[][><=~; ]", one)[0] for one in wanted)


def test_public_names_are_the_stated_ones(project_root: Path) -> None:
    stated = stated_names((project_root / "docs" / "api.md").read_text(encoding="utf-8"))
    found = {module: public_names(module) for module in stated}
    assert found == stated


def test_no_room_has_public_names_that_are_not_stated(project_root: Path) -> None:
    page = (project_root / "docs" / "api.md").read_text(encoding="utf-8")
    internal = re.search(r"^Internal, and free to change: (.*?)\.$", page, flags=re.MULTILINE | re.DOTALL)
    assert internal is not None
    stated = set(stated_names(page)) | set(re.findall(r"`(fringewise\.\w+)`", internal[1]))
    package = project_root / "src" / "fringewise"
    rooms = sorted(f"fringewise.{one.parent.name}" for one in package.glob("*/__init__.py"))
    assert [room for room in rooms if room not in stated and public_names(room)] == []


def test_there_is_one_version(project: dict[str, Any]) -> None:
    assert "version" not in project
    assert "version" in project["dynamic"]
    assert re.fullmatch(r"\d+\.\d+\.\d+(\.dev\d+)?", importlib.import_module("fringewise").__version__)


def test_links_between_pages_lead_somewhere(project_root: Path) -> None:
    pages = [*project_root.glob("*.md"), *(project_root / "docs").rglob("*.md")]
    links = [
        (page.relative_to(project_root).as_posix(), target)
        for page in pages
        if "_build" not in page.parts
        for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8"))
        if "://" not in target
    ]
    assert links
    assert [link for link in links if not (project_root / link[0]).parent.joinpath(link[1]).exists()] == []


def stated_names(page: str) -> dict[str, set[str]]:
    """Read the table of docs/api.md: a module and its public names."""
    rows = re.findall(r"^\| `(fringewise[a-z._]*)` \|([^|]*)\|", page, flags=re.MULTILINE)
    return {module: set(re.findall(r"`(\w+)`", names)) for module, names in rows}


def public_names(module: str) -> set[str]:
    """Give the names of a module's ``__all__``, each of which must be there and be no module."""
    loaded = importlib.import_module(module)
    names = set(getattr(loaded, "__all__", ()))
    for _ in range(2):  # a name that is loaded late must not turn into the module of the same name
        assert [name for name in names if isinstance(getattr(loaded, name), ModuleType)] == []
    return names
