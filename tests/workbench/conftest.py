"""A workbench that really listens, with an archive of its own and one small rendered look in it."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from example_look import keep_example_look
from inspection_examples import CARD
from needs import require
from workbench_served import IDENTITY, LOOK, Served, serve


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[Served]:
    """A workbench where there is no archive yet."""
    yield from serve(tmp_path / "archive")


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A workbench with an inspection that has one captured look."""
    from fringewise.files.intake import parcels_at
    from fringewise.workflow.inspecting import attach
    from fringewise.workflow.intake import Parcel, take_in
    from fringewise.workflow.keeping import begin_inspection, required_look

    folder = tmp_path_factory.mktemp("workbench")
    keep_example_look(folder)
    for one in serve(folder / "archive"):
        desk = one.bench.made()
        inspection = begin_inspection(desk, IDENTITY, CARD, invented=True)
        (parcel,) = parcels_at(folder / "blade-07")
        assert isinstance(parcel, Parcel)
        taken = take_in(desk, parcel)
        attach(desk, inspection, required_look(inspection, *LOOK), [taken])
        marked = json.loads((folder / "blade-07.json").read_text(encoding="utf-8"))
        one.looked = {"sha256": taken.sha256, "finding": json.dumps(marked["findings"][0])}
        yield one
        one.bench.archive().close()


@pytest.fixture(scope="session")
def chromium() -> str:
    """The system's Chromium."""
    found = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if found is None:
        require("browser", "no Chromium on this machine")
    return found
