"""What all tests share: real captures where they are, repeatable property tests, and examples run as tests.

The Python examples of README.md and docs/ run through Sybil; those in docstrings are pytest's own doctests.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from example_look import keep_example_look
from hypothesis import settings
from needs import require
from sybil import Sybil
from sybil.parsers.myst import DocTestDirectiveParser, PythonCodeBlockParser, SkipParser

from fringewise.wiring import FILE_VARIABLE, SETTINGS

ROOT = Path(__file__).resolve().parent

collect_ignore_glob = [
    "docs/*.py",
    "docs/_ext/*.py",
    "docs/_build/*",
    "src/fringewise/archive/migrations/*.py",
]

os.environ.setdefault("MPLBACKEND", "Agg")  # no test opens a window

settings.register_profile("ci", deadline=None, derandomize=True, print_blob=True)
settings.register_profile("here", deadline=None, print_blob=True)
settings.load_profile("ci" if os.environ.get("CI") else "here")


@pytest.fixture(scope="session")
def project_root() -> Path:
    """Give the folder of pyproject.toml."""
    return ROOT


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """Give the folder of real captures and published data; they are no part of the project."""
    named = os.environ.get("FRINGEWISE_TEST_DATA")
    folder = Path(named) if named else ROOT.parent / "shared" / "data"
    if not folder.is_dir():
        require("shared", f"no real captures: {folder} is absent; name their folder in FRINGEWISE_TEST_DATA")
    return folder


@pytest.fixture(scope="session", autouse=True)
def default_settings(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Let every test, and every program that it starts, run with default settings, not a person's own."""
    empty = tmp_path_factory.mktemp("settings") / "settings.toml"
    empty.touch()
    with pytest.MonkeyPatch.context() as patch:
        for setting in SETTINGS:
            patch.delenv(setting.variable, raising=False)
        patch.setenv(FILE_VARIABLE, str(empty))
        yield


@pytest.fixture(scope="module")
def example_folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Run the examples of one page in a folder of their own that holds one small rendered look."""
    folder = tmp_path_factory.mktemp("example")
    keep_example_look(folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        yield folder


pytest_collect_file = Sybil(
    parsers=[PythonCodeBlockParser(), DocTestDirectiveParser(), SkipParser()],
    patterns=["README.md", "docs/*.md", "docs/**/*.md"],
    fixtures=["example_folder"],
).pytest()
