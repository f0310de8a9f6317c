"""Faults: finds every error in the shape of a body, each with a JSON pointer."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import suppress
from datetime import date, datetime
from functools import cache
from itertools import islice
from typing import Annotated, Any, Final

import msgspec
from msgspec import Meta, Struct, inspect

from kitwright.errors import Path
from kitwright.web.edge.problems import FaultOut, fault_of, pointer
from kitwright.web.edge.wording import choices, shown, told, unknown_name, wanted

_SURROGATE: Final = re.compile("[\ud800-\udfff]")


class Members(dict[str, Any]):
    """A JSON object as sent; `twice` names the members given more than once."""

    twice: frozenset[str] = frozenset()


class NoNumber(str):
    """NaN or an infinity, which some programs write but JSON does not allow."""

    __slots__ = ()


_JSON: Final[dict[type[inspect.Type], Any]] = {
    inspect.StructType: Members,
    inspect.DictType: Members,
    inspect.VarTupleType: list,
    inspect.StrType: str,
    inspect.EnumType: str,
    inspect.LiteralType: str,
    inspect.DateType: str,
    inspect.DateTimeType: str,
    inspect.BoolType: bool,
    inspect.IntType: int,
    # one of which no type fits the value
    inspect.UnionType: object,
}
"""Kind of a member -> the Python type of its values; other kinds are left to the conversion of the
complete struct.
"""
_Time = Annotated[datetime, Meta(tz=True)]


@cache
def shape_of(struct: type[Struct]) -> inspect.StructType:
    """Return the fields of a struct by their names in JSON."""
    shape = inspect.type_info(struct)
    assert isinstance(shape, inspect.StructType)
    return shape


def find_faults(value: object, shape: inspect.Type, path: Path = ()) -> Iterator[FaultOut]:
    """Yield every error of a value against a shape, in the order of the shape's members.

    The typed decoder stops at the first error; this continues. Objects are `Members`; NaN and
    infinities are `NoNumber`.
    """
    kind, may_be_null = _open(shape, value)
    if value is None and may_be_null:
        return
    if isinstance(value, NoNumber):
        yield _fault(path, "not-a-number", f"{value} is not valid JSON; expected {wanted(shape)}")
    elif (code := _wrong(value, kind)) is not None:
        yield _fault(path, code, told(code, value, kind, shape))
    elif isinstance(kind, inspect.StructType) and isinstance(value, Members):
        yield from _members(value, kind, path)
    elif isinstance(kind, inspect.DictType) and isinstance(value, Members):
        yield from _entries(value, kind, path)
    elif isinstance(kind, inspect.VarTupleType) and isinstance(value, list):
        yield from _count(len(value), "entries", kind, path)
        for index, element in enumerate(value[: kind.max_length]):
            yield from find_faults(element, kind.item_type, (*path, index))


def _fault(path: Path, code: str, detail: str) -> FaultOut:
    return FaultOut(pointer=pointer(path), detail=detail, code=code)


def _open(shape: inspect.Type, value: object) -> tuple[inspect.Type, bool]:
    """Return the type that a value is checked against, and whether null is allowed instead."""
    if isinstance(shape, inspect.Metadata):
        return _open(shape.type, value)
    if isinstance(shape, inspect.UnionType):
        real = [one for one in shape.types if not isinstance(one, inspect.NoneType)]
        kinds = [_open(one, value)[0] for one in real]
        fitting = [kind for kind in kinds if type(value) is _JSON.get(type(kind))]
        best = kinds[0] if len(kinds) == 1 else fitting[0] if fitting else shape
        return best, len(real) < len(shape.types)
    return shape, False


def _wrong(value: Any, kind: inspect.Type) -> str | None:
    """Return the code of the error in a value itself, None if it is valid."""
    if type(value) is str and _SURROGATE.search(value):
        return "lone-surrogate"
    if type(value) is not _JSON.get(type(kind), type(value)):
        return "wrong-type"
    match kind:
        case inspect.IntType():
            return None if _is_within(value, kind.ge, kind.le) else "out-of-range"
        case inspect.StrType():
            if not _is_within(len(value), kind.min_length, kind.max_length):
                return "wrong-length"
            return None if re.search(kind.pattern or "", value) else "wrong-form"
        case inspect.EnumType() | inspect.LiteralType():
            return None if value in choices(kind) else "not-a-choice"
        case inspect.DateType():
            return None if _fits(value, date) else "wrong-form"
        case inspect.DateTimeType():
            return None if _fits(value, _Time) else "wrong-form"
    return None


def _is_within(number: int, least: int | None, most: int | None) -> bool:
    return (least is None or number >= least) and (most is None or number <= most)


def _fits(value: str, kind: Any) -> bool:
    with suppress(msgspec.ValidationError):
        msgspec.convert(value, kind)
        return True
    return False


def _members(value: Members, shape: inspect.StructType, path: Path) -> Iterator[FaultOut]:
    sound = True
    for fault in _each_member(value, shape, path):
        sound = False
        yield fault
    if sound:
        try:
            # rules that concern several members
            msgspec.convert(value, shape.cls, strict=True)
        except msgspec.ValidationError as error:
            yield fault_of(error, path)


def _each_member(value: Members, shape: inspect.StructType, path: Path) -> Iterator[FaultOut]:
    fields = {field.encode_name: field for field in shape.fields}
    for name, field in fields.items():
        if name in value:
            yield from find_faults(value[name], field.type, (*path, name))
        elif field.required:
            detail = f"required member missing; expected {wanted(field.type)}"
            yield _fault((*path, name), "missing-member", detail)
    yield from _each_name(value, path)
    for name in value:
        if name not in fields and not _SURROGATE.search(name):
            yield _fault((*path, name), "unknown-member", unknown_name(name, tuple(fields)))


def _each_name(value: Members, path: Path) -> Iterator[FaultOut]:
    """Yield the errors in members' names, for any object."""
    for name in value:
        if _SURROGATE.search(name):
            # a JSON pointer to it is impossible
            yield _fault(path, "lone-surrogate", "a member's name has an unpaired surrogate")
        elif name in value.twice:
            detail = "this member is given more than once: give it once"
            yield _fault((*path, name), "duplicate-member", detail)


def _entries(value: Members, shape: inspect.DictType, path: Path) -> Iterator[FaultOut]:
    """Yield the errors of an object whose member names the caller chooses."""
    yield from _count(len(value), "members", shape, path)
    yield from _each_name(value, path)
    for name, each in islice(value.items(), shape.max_length):
        code = _wrong(name, _open(shape.key_type, name)[0])
        if code is None:
            yield from find_faults(each, shape.value_type, (*path, name))
        elif code != "lone-surrogate":
            detail = f"the name {shown(name)} should be {wanted(shape.key_type)}"
            yield _fault((*path, name), code, detail)


def _count(
    number: int, of: str, shape: inspect.DictType | inspect.VarTupleType, path: Path
) -> Iterator[FaultOut]:
    if not _is_within(number, shape.min_length, shape.max_length):
        yield _fault(path, "wrong-length", f"{number} {of}: should be {wanted(shape)}")
