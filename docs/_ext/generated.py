"""Directives whose text is made from the program itself, so that these pages can't fall behind it.

``{flag-table}`` lists the quality flags, ``{setting-table}`` the settings, ``{command-list}`` every command
with its arguments and options, and ``{public-names}`` the public names of a room with their documentation.
"""

from __future__ import annotations

import importlib
import re
from typing import Any

import platformdirs
import typer
from docutils import nodes
from sphinx.application import Sphinx
from sphinx.util.docutils import SphinxDirective

from fringewise.core.flags import FLAG_TABLE
from fringewise.wiring import SETTINGS

ATTRIBUTES_TOGETHER = re.compile(r"(?P<names>\w+(, \w+)+) : (?P<type>.+)")


class FlagTable(SphinxDirective):
    """The one table of flags, as a table."""

    def run(self) -> list[nodes.Node]:
        rows = [
            f"| {int(row.flag)} | `{row.name}` | {row.words} | {'no' if row.bars_use else 'yes'} |"
            for row in FLAG_TABLE
        ]
        head = ["| bit | name | what it says | may still be measured on |", "| --: | --- | --- | --- |"]
        return self.parse_text_to_nodes("\n".join([*head, *rows]))


class SettingTable(SphinxDirective):
    """The one table of settings."""

    def run(self) -> list[nodes.Node]:
        cache = str(platformdirs.user_cache_path("fringewise", appauthor=False))
        data = str(platformdirs.user_data_path("fringewise", appauthor=False))
        rows = [
            f"| `{one.name}` | `{one.variable}` | {one.words} | "
            f"`{one.default.replace(cache, '…').replace(data, '…')}` |"
            for one in SETTINGS
        ]
        head = ["| in the file | variable | what it is | default |", "| --- | --- | --- | --- |"]
        return self.parse_text_to_nodes("\n".join([*head, *rows]))


class CommandList(SphinxDirective):
    """Every command of the program, from its own help."""

    has_content = False

    def run(self) -> list[nodes.Node]:
        group = typer.main.get_command(importlib.import_module("fringewise.cli").app)
        context = group.make_context("fringewise", [], resilient_parsing=True)
        text = command_text(group, context, "fringewise")
        for name in group.list_commands(context):
            text += commands_text(group.get_command(context, name), context, name, f"fringewise {name}")
        return self.parse_text_to_nodes("\n".join(text), allow_section_headings=True)


def commands_text(command: Any, context: Any, name: str, path: str) -> list[str]:
    """Text of a command and of those below it."""
    inner = command.make_context(name, [], parent=context, resilient_parsing=True)
    text = command_text(command, inner, path)
    if hasattr(command, "list_commands"):
        for below in command.list_commands(inner):
            text += commands_text(command.get_command(inner, below), inner, below, f"{path} {below}")
    return text


def command_text(command: Any, inner: Any, name: str) -> list[str]:
    pieces = " ".join(command.collect_usage_pieces(inner))
    text = ["", f"## {name}", "", (command.help or "").split("\f")[0].strip(), ""]
    text += ["```text", f"{name} {pieces}", "```", ""]
    for parameter in command.get_params(inner):
        record = parameter.get_help_record(inner)
        if record is not None and parameter.name != "help":
            text += [f"`{record[0]}`", f": {record[1].strip() or '…'}", ""]
    return text


class PublicNames(SphinxDirective):
    """The public names of a module, documented one after the other."""

    required_arguments = 1

    def run(self) -> list[nodes.Node]:
        module = importlib.import_module(self.arguments[0])
        lines = ["```{eval-rst}"]
        for name in sorted(name for name in module.__all__ if not name.startswith("_")):
            kind = "class" if isinstance(getattr(module, name), type) else None
            kind = kind or ("function" if callable(getattr(module, name)) else "data")
            lines += [f".. auto{kind}:: {self.arguments[0]}.{name}"]
            lines += (
                ["   :members:", "   :exclude-members: __init__, __new__", ""] if kind == "class" else [""]
            )
        return self.parse_text_to_nodes("\n".join([*lines, "```"]))


def prepare(_app: Sphinx, what: str, _name: str, _given: Any, _options: Any, lines: list[str]) -> None:
    """Spare napoleon two misreadings: ``a, b : type``, and a colon in a property's sentence."""
    if what == "property":
        lines[:0] = ["..", ""]
    shared = [(at, ATTRIBUTES_TOGETHER.fullmatch(line)) for at, line in enumerate(lines)]
    for at, found in reversed([(at, found) for at, found in shared if found]):
        until = next((n for n in range(at + 1, len(lines)) if not lines[n].startswith(" ")), len(lines))
        words = lines[at + 1 : until]
        lines[at:until] = [
            line for name in found["names"].split(", ") for line in (f"{name} : {found['type']}", *words)
        ]


def setup(app: Sphinx) -> dict[str, Any]:
    app.add_directive("flag-table", FlagTable)
    app.add_directive("setting-table", SettingTable)
    app.add_directive("command-list", CommandList)
    app.add_directive("public-names", PublicNames)
    app.connect("autodoc-process-docstring", prepare, priority=400)
    return {"version": "1", "parallel_read_safe": True, "parallel_write_safe": True}
