"""The printed JSON Schemas and the program agree on what is a document; an independent validator checks."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from typing import Any

import jsonschema
import pytest
from document_examples import EXAMPLES
from pydantic import ValidationError

from fringewise.core.documents.reading import parse
from fringewise.core.errors import FormatUnknown, InputRefused
from fringewise.files.schemas import FORMATS, document_model, schema_of

NAMES = [one.name for one in FORMATS]
BEYOND_A_SCHEMA = {"broken_rule", "value_error"}
"""Rules between fields, and those of a field that a pattern or range can't say."""
WRONG_VALUES: tuple[Any, ...] = ("words", [], {}, True, -1e13, 1e13, [["words"]])


def test_there_is_an_example_of_every_format() -> None:
    assert sorted(EXAMPLES) == sorted(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_a_schema_is_a_schema(name: str) -> None:
    jsonschema.Draft202012Validator.check_schema(schema_of(name))


@pytest.mark.parametrize("name", NAMES)
def test_the_example_is_a_document_by_schema_and_by_program(name: str) -> None:
    jsonschema.Draft202012Validator(schema_of(name)).validate(EXAMPLES[name])
    parse(document_model(name), json.dumps(EXAMPLES[name]).encode(), name)


@pytest.mark.parametrize("name", NAMES)
def test_null_is_the_same_as_absent(name: str) -> None:
    with_null = copy.deepcopy(EXAMPLES[name]) | {
        field: None
        for field, info in document_model(name).model_fields.items()
        if not info.is_required() and field not in EXAMPLES[name]
    }
    jsonschema.Draft202012Validator(schema_of(name)).validate(with_null)
    parse(document_model(name), json.dumps(with_null).encode(), name)


@pytest.mark.parametrize("name", NAMES)
def test_schema_and_program_refuse_the_same_wrong_values(name: str) -> None:
    validator = jsonschema.Draft202012Validator(schema_of(name))
    tried = 0
    for place, wrong in _spoilt(EXAMPLES[name]):
        refused_by_schema = not validator.is_valid(wrong)
        broken = _broken(name, wrong)
        if refused_by_schema:
            assert broken, f"{place}: only the schema refuses it"
        else:
            assert broken <= BEYOND_A_SCHEMA, f"{place}: only the program refuses it, for {broken}"
        tried += 1
    assert tried > 10


@pytest.mark.parametrize("name", NAMES)
def test_another_major_version_is_refused_by_name(name: str) -> None:
    newer = EXAMPLES[name] | {"format": f"fringewise.{name}/2"}
    assert not jsonschema.Draft202012Validator(schema_of(name)).is_valid(newer)
    with pytest.raises(FormatUnknown, match="does not know version 2"):
        parse(document_model(name), json.dumps(newer).encode(), "x.json")


@pytest.mark.parametrize("name", NAMES)
def test_a_minor_version_is_read(name: str) -> None:
    parse(
        document_model(name), json.dumps(EXAMPLES[name] | {"format": f"fringewise.{name}/1.3"}).encode(), "x"
    )


@pytest.mark.parametrize("stated", [None, 1, "", "head", "fringewise.head", "fringewise.head/x", "head/1"])
def test_an_absent_or_garbled_format_is_refused(stated: object) -> None:
    with pytest.raises(InputRefused) as refused:
        parse(document_model("head"), json.dumps(EXAMPLES["head"] | {"format": stated}).encode(), "x.json")
    assert [problem.field for problem in refused.value.problems] == ["format"]


def test_a_document_of_another_kind_is_refused_by_name() -> None:
    with pytest.raises(FormatUnknown, match="another kind"):
        parse(document_model("head"), json.dumps(EXAMPLES["capture"]).encode(), "x.json")


def _spoilt(value: Any) -> Iterator[tuple[str, Any]]:
    """Give copies of a document with one place deleted or replaced by a wrong value."""
    for path in _paths(value, ()):
        if path == ("format",):
            continue
        for wrong in WRONG_VALUES:
            yield f"{path} <- {wrong}", _replaced(value, path, wrong)
        if isinstance(path[-1], str):
            yield f"{path} deleted", _without(value, path)


def _paths(value: Any, above: tuple[Any, ...]) -> Iterator[tuple[Any, ...]]:
    steps = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for step, below in steps:
        yield (*above, step)
        yield from _paths(below, (*above, step))


def _replaced(value: Any, path: tuple[Any, ...], new: Any) -> Any:
    made = copy.deepcopy(value)
    spot = made
    for step in path[:-1]:
        spot = spot[step]
    spot[path[-1]] = new
    return made


def _without(value: Any, path: tuple[Any, ...]) -> Any:
    made = copy.deepcopy(value)
    spot = made
    for step in path[:-1]:
        spot = spot[step]
    del spot[path[-1]]
    return made


def _broken(name: str, document: Any) -> set[str]:
    """Name the sorts of rules that the program finds broken."""
    try:
        document_model(name).model_validate(document)
    except ValidationError as error:
        return {str(one["type"]) for one in error.errors()}
    return set()
