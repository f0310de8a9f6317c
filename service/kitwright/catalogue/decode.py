"""Decode: turns a table of a file into a record, and reports the error of every row."""

from __future__ import annotations

import re
from datetime import date
from typing import TYPE_CHECKING, Any, Final, TypeVar, get_args, get_origin

import msgspec

from kitwright.catalogue.problems import Problem
from kitwright.units import Figure, NotAFigure, read_figure

if TYPE_CHECKING:
    from collections.abc import Iterator

Table = dict[str, Any]
"""A table as `tomllib` reads it."""

_S = TypeVar("_S", bound=msgspec.Struct)

_CODES: Final = (
    ("is not a decimal number", "not-a-figure"),
    ("unknown field", "unknown-key"),
    ("missing required field", "missing-key"),
    ("Invalid enum value", "unknown-word"),
)
"""What msgspec says of a value -> the code of the error; any other message means a wrong type."""


_PLAIN: Final = (
    (
        re.compile(r"Expected `(?P<wanted>[^`]+)`, got `(?P<given>[^`]+)`"),
        "{given}: expected {wanted}",
    ),
    (
        re.compile(r"Object missing required field `(?P<name>[^`]+)`"),
        "required field {name} is missing",
    ),
    (re.compile(r"Object contains unknown field `(?P<name>[^`]+)`"), "unknown field {name}"),
    (re.compile(r"Invalid enum value (?P<name>.+)"), "{name} is not one of the words allowed here"),
)
"""Phrases of msgspec about Python's types -> the same for a person who edits the file."""
_TYPES: Final = {
    "array": "a list",
    "bool": "true or false",
    "date": "a date",
    "float": "a number with a point",
    "int": "a whole number",
    "null": "nothing",
    "object": "a table",
    "str": "text",
}


def decode(file: str, table: Table, kind: type[_S], problems: list[Problem]) -> _S | None:
    """Return the record of a table, or None with at least one more error in `problems`.

    msgspec stops at the first error. If there is one, each row of the table's lists is therefore
    decoded separately, so that a file can be corrected in one pass.
    """
    try:
        return _convert(table, kind)
    except msgspec.ValidationError as error:
        whole = _invalid(file, "$", error)
    found = [
        problem for name, row in _row_kinds(kind) for problem in _bad_rows(file, table, name, row)
    ]
    lists: Table = {name: [] for name, _ in _row_kinds(kind) if isinstance(table.get(name), list)}
    try:
        _convert(table | lists, kind)
    except msgspec.ValidationError as error:
        found.insert(0, _invalid(file, "$", error))
    problems += found or [whole]
    return None


def decode_row(file: str, place: str, row: Table, kind: type[_S]) -> _S | Problem:
    """Return the record of one row, or its error."""
    try:
        return _convert(row, kind)
    except msgspec.ValidationError as error:
        return _invalid(file, place, error, row)


def _hook(kind: type, value: object) -> object:
    if kind is Figure:
        try:
            return read_figure(value)
        except NotAFigure as error:
            raise ValueError(str(error)) from None
    raise NotImplementedError(f"no reading of {kind}")


def _convert(value: object, kind: type[_S]) -> _S:
    # With dates as a built-in type, TOML's dates are accepted, but not strings that look like one.
    return msgspec.convert(value, kind, builtin_types=(date,), dec_hook=_hook)


def _row_kinds(kind: type[msgspec.Struct]) -> Iterator[tuple[str, type[msgspec.Struct]]]:
    """Yield the fields that are lists of records, as files name them, with the record's type."""
    for field in msgspec.structs.fields(kind):
        if get_origin(field.type) is tuple:
            row = get_args(field.type)[0]
            if isinstance(row, type) and issubclass(row, msgspec.Struct):
                yield field.encode_name, row


def _bad_rows(file: str, table: Table, name: str, kind: type[msgspec.Struct]) -> Iterator[Problem]:
    rows = table.get(name)
    if isinstance(rows, list):
        for index, row in enumerate(rows):
            problem = decode_row(file, f"$.{name}[{index}]", row, kind)
            if isinstance(problem, Problem):
                yield problem


def _plain(said: str) -> str:
    """Return a message of msgspec in the terms of TOML."""
    for pattern, told in _PLAIN:
        if found := pattern.fullmatch(said):
            return told.format_map({name: _typed(text) for name, text in found.groupdict().items()})
    return said


def _typed(text: str) -> str:
    return ", or ".join(_TYPES.get(one, one) for one in text.split(" | "))


def _invalid(file: str, place: str, error: Exception, row: object = None) -> Problem:
    said, _, path = str(error).partition(" - at `$")
    message = _plain(said)
    keys = ("id", "code", "sku", "role", "item")
    own = [row[key] for key in keys if key in row] if isinstance(row, dict) else []
    return Problem(
        file=file,
        record=place + path.removesuffix("`"),
        code=next((code for words, code in _CODES if words in said), "wrong-type"),
        message=f"{own[0]}: {message}" if own else message,
    )
