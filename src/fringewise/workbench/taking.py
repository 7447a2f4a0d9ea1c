"""Taking in what is dropped on a blade: files land in a temporary folder, are checked, then kept."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from fastapi import UploadFile

from fringewise.core.errors import InputRefused, Problem
from fringewise.files.intake import PassedOver, parcels_at
from fringewise.workbench import answers
from fringewise.workbench.bench import Bench
from fringewise.workflow.inspecting import attach
from fringewise.workflow.intake import Taken, take_in
from fringewise.workflow.keeping import Desk, required_look

MOST_FILES: Final = 2000
_MOST_PARTS: Final = 12
_FORBIDDEN: Final = frozenset('<>:"|?*\\')


def take_files(
    bench: Bench, identity: str, where: tuple[str, str, str], files: Sequence[UploadFile]
) -> dict[str, Any]:
    """Take files in and put them to a look.

    Raises
    ------
    InputRefused
        A name leads out of its folder, or nothing in them is a capture, photo or video.
    """
    desk = bench.desk()
    inspection = desk.inspection(identity)
    look = required_look(inspection, *where)
    with tempfile.TemporaryDirectory(prefix="fringewise-", ignore_cleanup_errors=True) as place:
        _land(files, Path(place))
        taken, passed = _taken(desk, Path(place))
    if not taken:
        raise InputRefused(passed or [Problem("files", "", "must hold a capture, a photo or a video")])
    attach(desk, desk.inspection(identity), look, taken)
    return {
        "taken": [one.evidence for one in taken],
        "passed": [str(one) for one in passed],
        "inspection": answers.inspection(desk.inspection(identity)),
    }


def _land(files: Sequence[UploadFile], folder: Path) -> None:
    """Write files under safe names."""
    if len(files) > MOST_FILES:
        raise InputRefused([Problem("files", "", f"must be {MOST_FILES} at most", str(len(files)))])
    names = [_safe(one.filename or "") for one in files]
    for one, parts in zip(files, names, strict=True):
        target = folder.joinpath(*parts)
        target.parent.mkdir(parents=True, exist_ok=True)
        with target.open("xb") as sink:
            shutil.copyfileobj(one.file, sink)


def _safe(name: str) -> tuple[str, ...]:
    """Give the parts of a file's path; refused where it could lead anywhere else."""
    parts = tuple(name.split("/"))
    bad = (
        not 1 <= len(parts) <= _MOST_PARTS
        or any(part in {"", ".", ".."} or len(part) > 200 or part != part.strip(" .") for part in parts)
        or any(not letter.isprintable() or letter in _FORBIDDEN for letter in name)
    )
    if bad:
        raise InputRefused([Problem("files", "", "must have a plain name inside its folder", name)])
    return parts


def _taken(desk: Desk, folder: Path) -> tuple[list[Taken], list[Problem]]:
    """Take in what lies in a folder, one by one; what is no capture, photo or video is named."""
    taken, passed = [], []
    for top in sorted(folder.iterdir()):
        for one in _parcels(top):
            if isinstance(one, Problem):
                passed.append(one)
            else:
                taken.append(take_in(desk, one))
    return taken, passed


def _parcels(path: Path) -> Iterator[Any]:
    try:
        for one in parcels_at(path):
            yield Problem(one.name, "", one.words) if isinstance(one, PassedOver) else one
    except InputRefused as error:
        for problem in error.problems:
            yield Problem(problem.where.replace(str(path.parent), "").lstrip("/\\"), *_rest(problem))


def _rest(problem: Problem) -> tuple[str, str, str]:
    return problem.field, problem.rule, problem.value
