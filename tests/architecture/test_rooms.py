"""The rooms import as the table in pyproject.toml says, and the checks of that table can fail.

import-linter checks who imports whom; it has no list of what may come from outside, and it does not see
calls such as `open`. The first gap is closed here from the same graph of imports, the second by ruff.
"""

from __future__ import annotations

import copy
import json
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any, Final

import grimp
import pytest

PACKAGES_ALLOWED: Final = frozenset({"numpy", "scipy", "cv2", "numba", "pydantic", "pydantic_core"})
STANDARD_NEVER: Final = frozenset(
    {"os", "pathlib", "io", "tempfile", "shutil", "subprocess", "time", "logging", "socket", "http"}
    | {"urllib", "sqlite3", "threading", "asyncio", "multiprocessing", "sys", "signal", "glob", "locale"}
)
EXTRA: Final = {
    "virtual": {"embreex"},  # says which surface a ray meets
    "core": {"threading"},  # the lock round parallel kernels
    "record": {"cryptography"},  # whether a signature holds
}

PLANTED: Final = {
    "core/planted.py": "import fringewise.surface.surface\n",
    "phase/planted.py": "import fringewise.virtual.patch\n",
    "surface/planted.py": "from fringewise.virtual import patch\n",
    "capture/planted.py": "import pathlib\n",
    "findings/planted_a.py": "import fringewise.findings.planted_b\n",
    "findings/planted_b.py": "import fringewise.findings.planted_a\n",
}
FOUND: Final = (
    "fringewise.core.planted -> fringewise.surface.surface",
    "fringewise.phase.planted -> fringewise.virtual.patch",
    "fringewise.surface.planted -> fringewise.virtual.patch",
    "fringewise.capture.planted -> pathlib",
    "planted_a",
)


@pytest.fixture(scope="module")
def table(project_root: Path) -> dict[str, Any]:
    settings = tomllib.loads((project_root / "pyproject.toml").read_text(encoding="utf-8"))
    contracts = settings["tool"]["importlinter"]["contracts"]
    return {contract["id"]: contract for contract in contracts}


@pytest.fixture(scope="module")
def graph() -> grimp.ImportGraph:
    return grimp.build_graph(
        "fringewise", include_external_packages=True, exclude_type_checking_imports=True, cache_dir=None
    )


def test_the_table_holds(project_root: Path) -> None:
    done = lint_imports(project_root)
    assert done.returncode == 0, done.stdout


def test_planted_imports_break_every_contract(
    project_root: Path, tmp_path: Path, table: dict[str, Any]
) -> None:
    shutil.copytree(project_root / "src", tmp_path, dirs_exist_ok=True)
    shutil.copy(project_root / "pyproject.toml", tmp_path)
    for name, text in PLANTED.items():
        (tmp_path / "fringewise" / name).write_text(text, encoding="utf-8")
    done = lint_imports(tmp_path)
    assert done.returncode != 0
    assert f"0 kept, {len(table)} broken" in done.stdout
    for line in FOUND:
        assert line in done.stdout


def test_no_pure_room_is_forgotten(table: dict[str, Any], graph: grimp.ImportGraph) -> None:
    there = {f"fringewise.{room}" for room in pure_rooms(table)} & graph.modules
    assert set(table["pure"]["source_modules"]) == there


def test_pure_rooms_use_only_allowed_packages(table: dict[str, Any], graph: grimp.ImportGraph) -> None:
    assert {room: bad for room in pure_rooms(table) if (bad := not_allowed(graph, room))} == {}


@pytest.mark.parametrize("package", ["requests", "time", "embreex", "pathlib", "rich"])
def test_a_planted_package_is_found(graph: grimp.ImportGraph, package: str) -> None:
    planted = copy.deepcopy(graph)
    assert package not in not_allowed(planted, "core")
    planted.add_module(package, is_squashed=True)
    planted.add_import(importer="fringewise.core.units", imported=package)
    assert package in not_allowed(planted, "core")


def test_measuring_never_goes_through_the_front(table: dict[str, Any], graph: grimp.ImportGraph) -> None:
    importers = graph.find_modules_that_directly_import("fringewise")
    pure = tuple(f"fringewise.{room}." for room in pure_rooms(table))
    found = [name for name in sorted(importers) if f"{name}.".startswith(pure)]
    assert found == [], "these import `fringewise` itself, or a module of it that does not exist"


@pytest.mark.parametrize(
    ("line", "rule"),
    [
        ("open('a.txt')", "PTH123"),
        ("print('a')", "T201"),
        ("import datetime\ndatetime.datetime.now()", "DTZ005"),
        ("import cv2\ncv2.imread('a.png')", "TID251"),
        ("import cv2\ncv2.imwrite('a.png', None)", "TID251"),
        ("import numpy as np\nnp.load('a.npy')", "TID251"),
        ("import numpy as np\nnp.save('a.npy', 1)", "TID251"),
        ("import numpy as np\nnp.savez('a.npz', a=1)", "TID251"),
        ("import numpy as np\nnp.random.seed(1)", "NPY002"),
    ],
)
def test_calls_that_reach_outside_are_refused(project_root: Path, line: str, rule: str) -> None:
    command = [sys.executable, "-m", "ruff", "check", "--output-format=json", "--stdin-filename"]
    done = subprocess.run(
        [*command, "src/fringewise/core/planted.py", "-"],
        input=line + "\n",
        cwd=project_root,
        capture_output=True,
        text=True,
        check=False,
    )
    assert rule in {found["code"] for found in json.loads(done.stdout)}


def lint_imports(folder: Path) -> subprocess.CompletedProcess[str]:
    """Check the imports of the package in `folder` (or in its src) by the table in its pyproject.toml."""
    source = folder / "src" if (folder / "src").is_dir() else folder
    program = (
        f"import sys; sys.path.insert(0, {str(source)!r}); from importlinter.cli import lint_imports_command"
    )
    return subprocess.run(
        [sys.executable, "-c", f"{program}; lint_imports_command()", "--no-cache", "--no-logo"],
        cwd=folder,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )


def pure_rooms(table: dict[str, Any]) -> list[str]:
    """Give the rooms below `disk`, whether or not they exist yet."""
    layers: list[str] = table["rooms"]["layers"]
    below = layers[layers.index("(disk)") + 1 :]
    return [room.strip(" ()") for layer in below for room in layer.split("|")]


def not_allowed(graph: grimp.ImportGraph, room: str) -> set[str]:
    """Give the packages from outside that a room imports and must not."""
    top = f"fringewise.{room}"
    if top not in graph.modules:
        return set()
    inside = {top} | graph.find_descendants(top)
    used = {
        name.split(".")[0] for module in inside for name in graph.find_modules_directly_imported_by(module)
    }
    outside = used - {"fringewise"} - PACKAGES_ALLOWED - EXTRA.get(room, set())
    return {name for name in outside if name in STANDARD_NEVER or name not in sys.stdlib_module_names}
