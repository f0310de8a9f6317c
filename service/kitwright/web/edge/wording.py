"""Wording: describes errors in a body, and the values that are expected, in words."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches
from json import JSONDecodeError
from math import inf
from typing import Final

from msgspec import inspect

MOST_SHOWN: Final = 40
"""The number of characters of a caller's text that a message repeats."""


def choices(kind: inspect.EnumType | inspect.LiteralType) -> tuple[str, ...]:
    """Return the texts that a choice type allows."""
    if isinstance(kind, inspect.EnumType):
        return tuple(str(each.value) for each in kind.cls)
    return tuple(map(str, kind.values))


def told(code: str, value: object, kind: inspect.Type, shape: inspect.Type) -> str:
    """Return a message with the invalid value and the values expected."""
    detail = f"{shown(value)}: should be {wanted(shape)}"
    if code == "lone-surrogate":
        return "unpaired surrogate: send both halves of the pair, or neither"
    if code == "not-a-choice" and isinstance(kind, inspect.EnumType | inspect.LiteralType):
        close = get_close_matches(str(value)[:MOST_SHOWN], choices(kind), n=1)
        return f"{detail}; did you mean {close[0]}?" if close else detail
    if isinstance(kind, inspect.IntType) and isinstance(value, float) and value.is_integer():
        return f"{detail}, written without a point or an exponent"
    return detail


def shown(value: object, most: int = MOST_SHOWN) -> str:
    """Return a short description of a value, which may itself be long: of a text, its start."""
    match value:
        case None:
            return "null"
        case bool():
            return str(value).lower()
        case str():
            return repr(value if len(value) <= most else f"{value[:most]}…")
        case int() | float():
            text = str(value)
            is_short = len(text) <= most and value not in (inf, -inf)
            return text if is_short else "a very large number"
        case list():
            return "a list"
    return "an object"


def wanted(shape: inspect.Type) -> str:
    """Return a description of the values that a type allows."""
    match shape:
        case inspect.Metadata():
            form = (shape.extra or {}).get("wanted") or wanted(shape.type)
            examples = (shape.extra_json_schema or {}).get("examples")
            is_told = bool(examples) and isinstance(shape.type, inspect.StrType)
            return f"{form}, such as {examples[0]!r}" if is_told and examples else str(form)
        case inspect.UnionType():
            return ", or ".join(map(wanted, shape.types))
        case inspect.IntType():
            bounded = shape.ge is not None and shape.le is not None
            return f"a whole number{f' from {shape.ge} to {shape.le}' if bounded else ''}"
        case inspect.StrType():
            length = _length(shape.min_length, shape.max_length, "characters")
            # a form that nobody types has no words of its own
            return f"text{length}{' in the form that this service writes' if shape.pattern else ''}"
        case inspect.DictType():
            return f"an object{_length(shape.min_length, shape.max_length, 'members')}"
        case inspect.VarTupleType():
            return f"a list{_length(shape.min_length, shape.max_length, 'entries')}"
        case inspect.EnumType() | inspect.LiteralType():
            return f"one of {', '.join(choices(shape))}"
    return _WORDS.get(type(shape), "another value")


_WORDS: Final[dict[type[inspect.Type], str]] = {
    inspect.BoolType: "true or false",
    inspect.DateType: "a day, such as '2027-03-01'",
    inspect.DateTimeType: "a time with its zone, such as '2027-03-01T12:30:00Z'",
    inspect.NoneType: "null",
    inspect.StructType: "an object",
}


def _length(least: int | None, most: int | None, of: str) -> str:
    if most is None:
        return f" of at least {least} {of}" if least else ""
    return f" of {least} to {most} {of}" if least else f" of at most {most} {of}"


def grammar(error: JSONDecodeError) -> str:
    """Return the place of an error in JSON's grammar, and what is expected there."""
    told = next((ours for theirs, ours in _GRAMMAR if error.msg.startswith(theirs)), _UNGRAMMATICAL)
    return f"{told}: line {error.lineno}, column {error.colno}"


_UNGRAMMATICAL: Final = "invalid syntax"
_GRAMMAR: Final = (
    ("Expecting value", "a value is expected here"),
    ("Expecting property name", "a member's name in double quotes is expected here"),
    ("Expecting ':'", "a colon is expected here"),
    ("Expecting ','", "a comma, or the end of the list or object, is expected here"),
    ("Illegal trailing comma", "there should be no comma after the last entry or member"),
    ("Extra data", "the document ends before this"),
    ("Unterminated string", "this text has no closing quotation mark"),
    ("Invalid control character", "line breaks and other control characters are written as \\n"),
    ("Invalid \\uXXXX", "four digits from 0 to f should follow \\u"),
    ("Invalid \\", "a backslash in a text should be written twice"),
)
"""The start of a parser's message -> our message."""


def unknown_name(name: str, known: Sequence[str]) -> str:
    """Return a message for an unknown member, with the name that may have been meant."""
    close = get_close_matches(name[:MOST_SHOWN], known, n=1)
    if close:
        return f"unknown member; did you mean {close[0]}?"
    return f"unknown member; allowed: {', '.join(known)}"
