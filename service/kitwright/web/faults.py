"""Faults: everything that is wrong with the shape of a body, each with its place."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import date
from difflib import get_close_matches
from functools import cache
from math import inf
from typing import Any, Final

import msgspec
from msgspec import Struct, inspect

from kitwright.errors import Path
from kitwright.web.problems import FaultOut, fault_of, pointer

_MOST_SHOWN: Final = 40
_SURROGATE: Final = re.compile("[\ud800-\udfff]")


class Members(dict[str, Any]):
    """An object as it was written: `twice` names the members given more than once."""

    twice: frozenset[str] = frozenset()


class NoNumber(str):
    """NaN or an infinity, which some programs write and JSON does not have."""

    __slots__ = ()


@cache
def shape_of(struct: type[Struct]) -> inspect.Type:
    """Return what a struct takes, member by member."""
    return inspect.type_info(struct)


def find_faults(value: object, shape: inspect.Type, path: Path = ()) -> Iterator[FaultOut]:
    """Yield every fault of a value against a shape, in the order of the shape's members.

    The typed decoder stops at the first fault; this walks on. Objects are `Members`, the numbers
    that JSON does not have are `NoNumber`.
    """
    kind, may_be_null = _open(shape)
    if value is None and may_be_null:
        return
    if isinstance(value, NoNumber):
        yield _fault(path, "not-a-number", f"{value} is no JSON: should be {_wanted(shape)}")
    elif isinstance(kind, inspect.StructType) and isinstance(value, Members):
        yield from _members(value, kind, path)
    elif isinstance(kind, inspect.VarTupleType) and isinstance(value, list):
        yield from _elements(value, kind, path)
    elif (code := _wrong(value, kind)) is not None:
        yield _fault(path, code, _told(code, value, kind, shape))


def _fault(path: Path, code: str, detail: str) -> FaultOut:
    return FaultOut(pointer=pointer(path), detail=detail, code=code)


def _open(shape: inspect.Type) -> tuple[inspect.Type, bool]:
    """Return the type that a value is judged by, and whether it may be null instead."""
    if isinstance(shape, inspect.Metadata):
        return _open(shape.type)
    if isinstance(shape, inspect.UnionType):
        real = [one for one in shape.types if not isinstance(one, inspect.NoneType)]
        alone = _open(real[0])[0] if len(real) == 1 else shape
        return alone, len(real) < len(shape.types)
    return shape, False


def _members(value: Members, shape: inspect.StructType, path: Path) -> Iterator[FaultOut]:
    sound = True
    for fault in _each_member(value, shape, path):
        sound = False
        yield fault
    if sound:
        try:
            # what only all members together can break
            msgspec.convert(value, shape.cls, strict=True)
        except msgspec.ValidationError as error:
            yield fault_of(error, path)


def _each_member(value: Members, shape: inspect.StructType, path: Path) -> Iterator[FaultOut]:
    fields = {field.encode_name: field for field in shape.fields}
    for name, field in fields.items():
        if name in value:
            yield from find_faults(value[name], field.type, (*path, name))
        elif field.required:
            detail = f"this member is missing: it should be {_wanted(field.type)}"
            yield _fault((*path, name), "missing-member", detail)
    for name in value:
        if _SURROGATE.search(name):
            # no pointer can be written to it
            yield _fault(path, "lone-surrogate", "a member's name has half of a surrogate pair")
        elif name not in fields:
            yield _fault((*path, name), "unknown-member", _unknown(name, tuple(fields)))
        elif name in value.twice:
            detail = "this member is given more than once: give it once"
            yield _fault((*path, name), "duplicate-member", detail)


def _unknown(name: str, known: Sequence[str]) -> str:
    close = get_close_matches(name[:_MOST_SHOWN], known, n=1)
    if close:
        return f"there is no such member here; did you mean {close[0]}?"
    return f"there is no such member here; known are {', '.join(known)}"


def _elements(value: list[object], shape: inspect.VarTupleType, path: Path) -> Iterator[FaultOut]:
    most = len(value) if shape.max_length is None else shape.max_length
    if not (shape.min_length or 0) <= len(value) <= most:
        yield _fault(path, "wrong-length", f"{len(value)} entries: should be {_wanted(shape)}")
    for index, element in enumerate(value[:most]):
        yield from find_faults(element, shape.item_type, (*path, index))


def _wrong(value: object, kind: inspect.Type) -> str | None:
    """Return the code of what is wrong with a single value."""
    if isinstance(value, str) and _SURROGATE.search(value):
        return "lone-surrogate"
    match kind:
        case inspect.IntType():
            return _wrong_number(value, kind) if type(value) is int else "wrong-type"
        case inspect.StrType():
            return _wrong_text(value, kind) if isinstance(value, str) else "wrong-type"
        case inspect.EnumType() | inspect.LiteralType():
            right = value in _choices(kind)
            return None if right else "not-a-choice" if isinstance(value, str) else "wrong-type"
        case inspect.DateType():
            return _wrong_day(value) if isinstance(value, str) else "wrong-type"
        case inspect.BoolType():
            return None if isinstance(value, bool) else "wrong-type"
        case inspect.StructType() | inspect.VarTupleType():
            return "wrong-type"
    # other kinds are left to the conversion of the whole struct
    return None


def _wrong_number(value: int, kind: inspect.IntType) -> str | None:
    least, most = kind.ge, kind.le
    fits = (least is None or value >= least) and (most is None or value <= most)
    return None if fits else "out-of-range"


def _wrong_text(value: str, kind: inspect.StrType) -> str | None:
    most = kind.max_length
    if not (kind.min_length or 0) <= len(value) <= (len(value) if most is None else most):
        return "wrong-length"
    if kind.pattern is not None and not re.search(kind.pattern, value):
        return "wrong-form"
    return None


def _wrong_day(value: str) -> str | None:
    try:
        msgspec.convert(value, date, strict=True)
    except msgspec.ValidationError:
        return "wrong-form"
    return None


def _choices(kind: inspect.EnumType | inspect.LiteralType) -> tuple[str, ...]:
    if isinstance(kind, inspect.EnumType):
        return tuple(str(each.value) for each in kind.cls)
    return tuple(map(str, kind.values))


def _told(code: str, value: object, kind: inspect.Type, shape: inspect.Type) -> str:
    """Return what is wrong, and what would be right."""
    detail = f"{_shown(value)}: should be {_wanted(shape)}"
    if code == "lone-surrogate":
        return "half of a surrogate pair is no character: write both halves, or none"
    if code == "not-a-choice" and isinstance(kind, inspect.EnumType | inspect.LiteralType):
        close = get_close_matches(str(value)[:_MOST_SHOWN], _choices(kind), n=1)
        return f"{detail}; did you mean {close[0]}?" if close else detail
    if isinstance(kind, inspect.IntType) and isinstance(value, float) and value.is_integer():
        return f"{detail}, written without a point or an exponent"
    return detail


def _shown(value: object) -> str:
    """Return what a value is, in short: the caller has it, and it may be long."""
    match value:
        case None:
            return "null"
        case bool():
            return str(value).lower()
        case str():
            return repr(value if len(value) <= _MOST_SHOWN else f"{value[:_MOST_SHOWN]}…")
        case int() | float():
            text = str(value)
            is_short = len(text) <= _MOST_SHOWN and value not in (inf, -inf)
            return text if is_short else "a very large number"
        case list():
            return "a list"
    return "an object"


def _wanted(shape: inspect.Type) -> str:
    """Return what a type takes, in words."""
    match shape:
        case inspect.Metadata():
            told = (shape.extra or {}).get("wanted") or _wanted(shape.type)
            shown = (shape.extra_json_schema or {}).get("examples")
            return f"{told}, such as {shown[0]!r}" if shown else str(told)
        case inspect.UnionType():
            return ", or ".join(map(_wanted, shape.types))
        case inspect.IntType():
            bounded = shape.ge is not None and shape.le is not None
            return f"a whole number{f' from {shape.ge} to {shape.le}' if bounded else ''}"
        case inspect.StrType():
            length = _length(shape.min_length, shape.max_length, "characters")
            return f"text{length}{f' of the form {shape.pattern}' if shape.pattern else ''}"
        case inspect.VarTupleType():
            return f"a list{_length(shape.min_length, shape.max_length, 'entries')}"
        case inspect.EnumType() | inspect.LiteralType():
            return f"one of {', '.join(_choices(shape))}"
    return _WORDS.get(type(shape), "another value")


_WORDS: Final[dict[type[inspect.Type], str]] = {
    inspect.BoolType: "true or false",
    inspect.DateType: "a day, such as '2027-03-01'",
    inspect.NoneType: "null",
    inspect.StructType: "an object",
}


def _length(least: int | None, most: int | None, of: str) -> str:
    if most is None:
        return f" of at least {least} {of}" if least else ""
    return f" of {least} to {most} {of}" if least else f" of at most {most} {of}"
