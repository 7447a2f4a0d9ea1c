"""``fringewise settings``: what holds, and whence."""

from __future__ import annotations

import re
from typing import Final

from fringewise.cli.shell import say

_WORDS: Final = {None: "off", True: "yes", False: "no", "": "beside"}


def settings() -> None:
    """Print the settings and whence each comes."""
    import os

    from fringewise.wiring import ignored_variables, read_settings

    held = read_settings()
    found = "" if os.access(held.file, os.R_OK) else " (not there: defaults hold)"
    say(f"Settings file: {held.file}{found}")
    say()
    width = max(len(one.setting.name) for one in held.held)
    for one in held.held:
        shown = _shown(one.value)
        say(f"{one.setting.name:<{width}} = {shown}    [{one.whence}]")
        say(f"{'':<{width}}   {one.setting.words}; variable {one.setting.variable}")
    if ignored := ignored_variables():
        say()
        say(f"Not settings, and ignored: {', '.join(ignored)}")


def _shown(value: object) -> object:
    """Write a value as the settings file has it, a password in a URL left out."""
    if value is None or isinstance(value, bool) or value == "":
        return _WORDS[value]
    return re.sub(r"(://[^/@:]*):[^/@]*@", r"\1:…@", value) if isinstance(value, str) else value
