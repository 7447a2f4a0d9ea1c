"""Reading a document against its model: the document, or every problem in it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any, Final, TypeVar

from pydantic import ValidationError as PydanticError

from fringewise.core.documents.fields import Part
from fringewise.core.documents.text import decoded
from fringewise.core.documents.wording import follows_from_others, problem_of, shown
from fringewise.core.errors import FormatUnknown, InputRefused, Problem

_FORMAT: Final = re.compile(r"fringewise\.([a-z]+)/(\d{1,9})(\.\d{1,9})?")

Kind = TypeVar("Kind", bound=Part)


def parse(model: type[Kind], text: bytes, where: str, *, toml: bool = False) -> Kind:
    """Read one document; every problem in it is reported at once.

    Parameters
    ----------
    model : subclass of Part with a ``format`` field
    text : bytes
        UTF-8, JSON unless `toml`.
    where : str
        The file's name, for the messages.

    Raises
    ------
    FormatUnknown
        The document is of another kind or of a major version that is not known.
    InputRefused
        Anything else is wrong; all of it is named.
    """
    data, problems = decoded(text, where, toml=toml)
    if data is None:
        raise InputRefused(problems)
    document, more = checked_document(model, data, where)
    problems += _new_ones(more, problems)
    if problems or document is None:
        raise InputRefused(problems)
    return document


def checked_document(
    model: type[Kind], data: Mapping[str, Any], where: str
) -> tuple[Kind | None, list[Problem]]:
    """Check a whole document's plain values; gives the document or every problem.

    Raises
    ------
    FormatUnknown
        The document is of another kind or of a major version that is not known.
    """
    problem = format_problem(model, data, where)
    document, more = checked(model, data, where)
    problems = [problem] if problem else []
    return document, problems + _new_ones(more, problems)


def format_problem(model: type[Part], data: Mapping[str, Any], where: str) -> Problem | None:
    """Say what is wrong with how a document states its ``format``, if anything is.

    Raises
    ------
    FormatUnknown
        The document is of another kind or of a major version that is not known.
    """
    wanted = _format_wanted(model)
    stated = data.get("format")
    if stated is None:
        return Problem(where, "format", f'must be given, as "{wanted}"')
    match = _FORMAT.fullmatch(stated) if isinstance(stated, str) else None
    if match is None:
        return Problem(where, "format", f'must be written as "{wanted}"', shown(stated))
    kind, major = wanted.removeprefix("fringewise.").split("/")
    if match[1] != kind:
        rule = f'must be "{wanted}": this is a document of another kind'
    elif int(match[2]) != int(major):
        rule = f'must be "{wanted}": this program does not know version {match[2]}'
    else:
        return None
    raise FormatUnknown([Problem(where, "format", rule, stated)])


def checked(
    model: type[Kind], data: Mapping[str, Any], where: str, field: str = ""
) -> tuple[Kind | None, list[Problem]]:
    """Check plain values against a document's model; gives the document or every problem."""
    try:
        return model.model_validate(data), []
    except PydanticError as error:
        details = [detail for detail in error.errors(include_url=False) if not follows_from_others(detail)]
        return None, [problem_of(detail, data, where, field) for detail in details]


def json_schema(model: type[Part]) -> dict[str, Any]:
    """Give a document's JSON Schema (2020-12), in which null is the same as absent."""
    schema = model.model_json_schema(by_alias=True)
    _allow_null(schema)
    kind, major = _format_wanted(model).removeprefix("fringewise.").split("/")
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:fringewise:{kind}:{major}",
        **schema,
    }


def _format_wanted(model: type[Part]) -> str:
    constraints = model.model_fields["format"].metadata
    pattern = next(one.pattern for one in constraints if getattr(one, "pattern", None))
    return re.sub(r"\(.*|[\^\\]", "", str(pattern))


def _new_ones(more: Sequence[Problem], known: Sequence[Problem]) -> list[Problem]:
    """Leave out problems of fields that were already found wrong."""
    fields = {problem.field for problem in known}
    return [problem for problem in more if problem.field not in fields]


def _allow_null(schema: Any) -> None:
    """In a schema's tree, let every property that may be absent be null as well; drop made-up titles."""
    if isinstance(schema, list):
        for one in schema:
            _allow_null(one)
    if not isinstance(schema, dict):
        return
    for below in schema.values():
        _allow_null(below)
    properties = schema.get("properties")
    if isinstance(properties, dict):
        needed = schema.get("required", [])
        for name, one in properties.items():
            properties[name] = _untitled(one) if name in needed else _or_null(_untitled(one))


def _untitled(schema: dict[str, Any]) -> dict[str, Any]:
    return {
        name: value
        for name, value in schema.items()
        if name != "title" and not (name == "default" and value is None)
    }


def _or_null(schema: dict[str, Any]) -> dict[str, Any]:
    if {"type": "null"} in schema.get("anyOf", []):
        return schema
    return {"anyOf": [schema, {"type": "null"}]}
