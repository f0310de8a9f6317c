"""Wording: what a body should have held, in words."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches
from json import JSONDecodeError
from math import inf
from typing import Final

from msgspec import inspect

MOST_SHOWN: Final = 40
"""How much of a caller's text is repeated to it."""


def choices(kind: inspect.EnumType | inspect.LiteralType) -> tuple[str, ...]:
    """Return the texts that a type of choices takes."""
    if isinstance(kind, inspect.EnumType):
        return tuple(str(each.value) for each in kind.cls)
    return tuple(map(str, kind.values))


def told(code: str, value: object, kind: inspect.Type, shape: inspect.Type) -> str:
    """Return what is wrong, and what would be right."""
    detail = f"{shown(value)}: should be {wanted(shape)}"
    if code == "lone-surrogate":
        return "half of a surrogate pair is no character: write both halves, or none"
    if code == "not-a-choice" and isinstance(kind, inspect.EnumType | inspect.LiteralType):
        close = get_close_matches(str(value)[:MOST_SHOWN], choices(kind), n=1)
        return f"{detail}; did you mean {close[0]}?" if close else detail
    if isinstance(kind, inspect.IntType) and isinstance(value, float) and value.is_integer():
        return f"{detail}, written without a point or an exponent"
    return detail


def shown(value: object) -> str:
    """Return what a value is, in short: the caller has it, and it may be long."""
    match value:
        case None:
            return "null"
        case bool():
            return str(value).lower()
        case str():
            return repr(value if len(value) <= MOST_SHOWN else f"{value[:MOST_SHOWN]}…")
        case int() | float():
            text = str(value)
            is_short = len(text) <= MOST_SHOWN and value not in (inf, -inf)
            return text if is_short else "a very large number"
        case list():
            return "a list"
    return "an object"


def wanted(shape: inspect.Type) -> str:
    """Return what a type takes, in words."""
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
            return f"text{length}{f' of the form {shape.pattern}' if shape.pattern else ''}"
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
    inspect.DateTimeType: "a moment with its zone, such as '2027-03-01T12:30:00Z'",
    inspect.NoneType: "null",
    inspect.StructType: "an object",
}


def _length(least: int | None, most: int | None, of: str) -> str:
    if most is None:
        return f" of at least {least} {of}" if least else ""
    return f" of {least} to {most} {of}" if least else f" of at most {most} {of}"


def grammar(error: JSONDecodeError) -> str:
    """Return where a text breaks JSON's grammar, and what should stand there."""
    told = next((ours for theirs, ours in _GRAMMAR if error.msg.startswith(theirs)), _UNGRAMMATICAL)
    return f"{told}: line {error.lineno}, column {error.colno}"


_UNGRAMMATICAL: Final = "this is not how JSON is written"
_GRAMMAR: Final = (
    ("Expecting value", "a value should stand here"),
    ("Expecting property name", "a member's name in double quotes should stand here"),
    ("Expecting ':'", "a colon should stand here"),
    ("Expecting ','", "a comma should stand here, or the end of the list or object"),
    ("Illegal trailing comma", "no comma should stand after the last entry or member"),
    ("Extra data", "the document ends before this"),
    ("Unterminated string", "this text has no closing quotation mark"),
    ("Invalid control character", "line breaks and other control characters are written as \\n"),
    ("Invalid \\uXXXX", "four digits from 0 to f should follow \\u"),
    ("Invalid \\escape", "a backslash in a text should be written twice"),
    ("Invalid \\", "a backslash in a text should be written twice"),
)
"""How the parser's words begin -> ours."""


def unknown_name(name: str, known: Sequence[str]) -> str:
    """Return that there is no such member, and which one may have been meant."""
    close = get_close_matches(name[:MOST_SHOWN], known, n=1)
    if close:
        return f"there is no such member here; did you mean {close[0]}?"
    return f"there is no such member here; known are {', '.join(known)}"
