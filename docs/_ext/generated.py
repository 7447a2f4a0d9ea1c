"""Directives whose text is made from the program itself, so that these pages can't fall behind it.

``{flag-table}`` lists the quality flags, ``{command-list}`` every command with its arguments and options, and
``{public-names}`` the public names of each room with their documentation.
"""

from __future__ import annotations

import importlib
import re
from typing import Any

import typer
from docutils import nodes
from sphinx.application import Sphinx
from sphinx.util.docutils import SphinxDirective

from fringewise.core.flags import FLAG_TABLE

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


class CommandList(SphinxDirective):
    """Every command of the program, from its own help."""

    has_content = False

    def run(self) -> list[nodes.Node]:
        group = typer.main.get_command(importlib.import_module("fringewise.cli").app)
        context = group.make_context("fringewise", [], resilient_parsing=True)
        texts = [one for name in group.list_commands(context) for one in command_text(group, context, name)]
        return self.parse_text_to_nodes("\n".join(texts), allow_section_headings=True)


def command_text(group: Any, context: Any, name: str) -> list[str]:
    command = group.get_command(context, name)
    inner = command.make_context(f"fringewise {name}", [], parent=context, resilient_parsing=True)
    pieces = " ".join(command.collect_usage_pieces(inner))
    text = ["", f"## fringewise {name}", "", (command.help or "").split("\f")[0].strip(), ""]
    text += ["```text", f"fringewise {name} {pieces}", "```", ""]
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
        for name in sorted(module.__all__):
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
    app.add_directive("command-list", CommandList)
    app.add_directive("public-names", PublicNames)
    app.connect("autodoc-process-docstring", prepare, priority=400)
    return {"version": "1", "parallel_read_safe": True, "parallel_write_safe": True}
