"""``fringewise settings``: what holds, and whence."""

from __future__ import annotations

from fringewise.cli.shell import say


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
        shown = "off" if one.value is None else one.value
        say(f"{one.setting.name:<{width}} = {shown}    [{one.whence}]")
        say(f"{'':<{width}}   {one.setting.words}; variable {one.setting.variable}")
    if ignored := ignored_variables():
        say()
        say(f"Not settings, and ignored: {', '.join(ignored)}")
