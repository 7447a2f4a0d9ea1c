"""``fringewise measure`` as a person calls it."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from command import Done, run_command
from example_look import keep_example_look

from fringewise import make_surface, read_capture, write_surface
from fringewise.files.schemas import schema_of


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("measuring")
    keep_example_look(made)
    return made


def run(*arguments: object) -> Done:
    return run_command(*map(str, arguments))


def findings_at(path: Path, marks: list[list[float]]) -> Path:
    one = {"id": "F1", "kind": "dent", "outline_px": marks}
    path.write_text(json.dumps({"format": "fringewise.findings/1", "findings": [one]}), encoding="utf-8")
    return path


def test_sizes_results_and_picture_come_from_one_call(folder: Path, tmp_path: Path) -> None:
    out, picture = tmp_path / "results.json", tmp_path / "picture.png"
    done = run(
        "measure",
        folder / "blade-07",
        "--findings",
        folder / "blade-07.json",
        "--out",
        out,
        "--picture",
        picture,
    )
    assert done.status == 0, done.err
    assert " ± " in done.out
    assert "Decision support. It releases nothing." in done.out
    document = json.loads(out.read_text(encoding="utf-8"))
    jsonschema.validate(document, schema_of("results"))
    assert document["findings"][0]["quantities"][0]["name"] == "depth"
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_inches_are_printed_when_asked_for(folder: Path) -> None:
    done = run("measure", folder / "blade-07", "--findings", folder / "blade-07.json", "--unit", "in")
    assert done.status == 0
    assert " in\n" in done.out
    assert " mm\n" not in done.out


def test_a_surface_made_elsewhere_is_measured_by_its_sources_word(folder: Path, tmp_path: Path) -> None:
    surface = make_surface(read_capture(folder / "blade-07"))
    path, out = tmp_path / "elsewhere.npz", tmp_path / "results.json"
    write_surface(surface, path)
    done = run(
        "measure", path,
        "--findings", folder / "blade-07.json",
        "--photo", folder / "blade-07" / "frames" / "photo.png",
        "--head", folder / "blade-07" / "head.json",
        "--sigma", "0.02",
        "--out", out,
    )  # fmt: skip
    assert done.status == 0, done.err
    assert "uncertainty as stated by its source" in done.out
    sources = {
        line["source"]
        for one in json.loads(out.read_text(encoding="utf-8"))["findings"][0]["quantities"]
        for line in one["budget"]
    }
    assert "stated by source" in sources
    assert "frame noise" not in sources


def test_marks_off_the_photo_are_refused_and_nothing_is_written(folder: Path, tmp_path: Path) -> None:
    marked = findings_at(tmp_path / "marks.json", [[10, 10], [5000, 10], [10, 90]])
    out = tmp_path / "results.json"
    done = run("measure", folder / "blade-07", "--findings", marked, "--out", out)
    assert done.status == 2
    assert "outline_px[1]" in done.err
    assert "Traceback" not in done.err
    assert not out.exists()


def test_marks_on_no_surface_are_said_kept_and_refused(folder: Path, tmp_path: Path) -> None:
    surface = make_surface(read_capture(folder / "blade-07"))
    blind = np.argwhere(~surface.usable[100:260, :40])
    assert len(blind) > 1000
    v, u = blind[len(blind) // 2]
    corner = [float(u), float(v) + 100.0]
    marks = [corner, [corner[0] + 4, corner[1]], [corner[0], corner[1] + 4]]
    marked, out = findings_at(tmp_path / "marks.json", marks), tmp_path / "results.json"
    done = run("measure", folder / "blade-07", "--findings", marked, "--out", out)
    assert done.status == 2
    assert "F1: 3 of 3 marks lie on pixels without a surface" in done.err
    assert json.loads(out.read_text(encoding="utf-8"))["findings"][0]["status"] == "not_measured"


def test_a_finding_that_cannot_be_measured_makes_the_status_1(folder: Path, tmp_path: Path) -> None:
    whole = json.loads((folder / "blade-07.json").read_text(encoding="utf-8"))
    u, v = np.mean(whole["findings"][0]["outline_px"], axis=0)
    marked = findings_at(tmp_path / "marks.json", [[u, v], [u + 3, v], [u, v + 3]])
    done = run("measure", folder / "blade-07", "--findings", marked)
    assert done.status == 1
    assert "not measured: only" in done.out


def test_options_of_a_surface_are_refused_with_a_capture(folder: Path) -> None:
    done = run("measure", folder / "blade-07", "--findings", folder / "blade-07.json", "--sigma", "0.02")
    assert done.status == 2
    assert "--sigma" in done.err


@pytest.mark.parametrize(
    "content", ["{", "[]", '{"format": "fringewise.findings/2", "findings": []}', "\x00\x01"]
)
def test_findings_that_are_none_are_refused_in_a_line(folder: Path, tmp_path: Path, content: str) -> None:
    wrong = tmp_path / "wrong.json"
    wrong.write_text(content, encoding="utf-8")
    done = run("measure", folder / "blade-07", "--findings", wrong)
    assert done.status == 2
    assert len(done.err.strip().splitlines()) == 1
    assert "wrong.json" in done.err
