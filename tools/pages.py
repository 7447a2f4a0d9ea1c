"""Builds or checks the workbench's pages in a checkout: ``python tools/pages.py build`` or ``check``.

Needs the dev extra (for Node). ``build`` does what installing does; ``check`` checks their types.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).resolve().parent))
from build_workbench import build, fresh, node_and_npm

ROOT: Final = Path(__file__).resolve().parent.parent
SOURCE: Final = ROOT / "workbench" / "ui"
PAGES: Final = ROOT / "src" / "fringewise" / "workbench" / "static"


def main(words: list[str]) -> int:
    """Do as the one word says; gives the exit status."""
    if words == ["build"]:
        if not fresh(SOURCE, PAGES):
            build(SOURCE, PAGES)
        return 0
    if words == ["check"]:
        node, npm = node_and_npm()
        env = os.environ | {"PATH": f"{node.parent}{os.pathsep}{os.environ.get('PATH', '')}", "CI": "1"}
        if not (SOURCE / "node_modules").is_dir():
            fetch = [str(node), str(npm), "ci", "--ignore-scripts"]
            subprocess.run(fetch, cwd=SOURCE, env=env, check=True)  # noqa: S603 - our own program
        check = [str(node), "node_modules/typescript/bin/tsc", "--noEmit"]
        return subprocess.run(check, cwd=SOURCE, env=env, check=False).returncode  # noqa: S603 - likewise
    sys.stderr.write("python tools/pages.py build | check\n")
    return 2


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
