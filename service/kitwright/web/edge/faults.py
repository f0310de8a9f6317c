"""Faults: finds every error in the shape of a body, each with a JSON pointer."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date, datetime
from functools import cache
from itertools import islice
from typing import Annotated, Any, Final

import msgspec
from msgspec import Meta, Struct, inspect

from kitwright.errors import Path
from kitwright.web.edge.problems import FaultOut, fault_of, pointer
from kitwright.web.edge.wording import choices, shown, told, unknown_name, wanted

_MOMENT: Final = Annotated[datetime, Meta(tz=True)]
_SURROGATE: Final = re.compile("[\ud800-\udfff]")


class Members(dict[str, Any]):
    """A JSON object as sent; `twice` names the members given more than once."""

    twice: frozenset[str] = frozenset()


class NoNumber(str):
    """NaN or an infinity, which some programs write but JSON does not allow."""

    __slots__ = ()


@cache
def shape_of(struct: type[Struct]) -> inspect.Type:
    """Return the fields of a struct by their names in JSON."""
    return inspect.type_info(struct)


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
    elif isinstance(kind, inspect.StructType) and isinstance(value, Members):
        yield from _members(value, kind, path)
    elif isinstance(kind, inspect.DictType) and isinstance(value, Members):
        yield from _entries(value, kind, path)
    elif isinstance(kind, inspect.VarTupleType) and isinstance(value, list):
        yield from _elements(value, kind, path)
    elif (code := _wrong(value, kind)) is not None:
        yield _fault(path, code, told(code, value, kind, shape))


def _fault(path: Path, code: str, detail: str) -> FaultOut:
    return FaultOut(pointer=pointer(path), detail=detail, code=code)


def _open(shape: inspect.Type, value: object) -> tuple[inspect.Type, bool]:
    """Return the type that a value is checked against, and whether null is allowed instead."""
    if isinstance(shape, inspect.Metadata):
        return _open(shape.type, value)
    if isinstance(shape, inspect.UnionType):
        real = [one for one in shape.types if not isinstance(one, inspect.NoneType)]
        kinds = [_open(one, value)[0] for one in real]
        fitting = [kind for kind in kinds if isinstance(kind, _KINDS.get(type(value), ()))]
        best = kinds[0] if len(kinds) == 1 else fitting[0] if fitting else shape
        return best, len(real) < len(shape.types)
    return shape, False


_KINDS: Final[dict[type, tuple[type[inspect.Type], ...]]] = {
    Members: (inspect.StructType, inspect.DictType),
    list: (inspect.VarTupleType,),
    str: (
        inspect.StrType,
        inspect.EnumType,
        inspect.LiteralType,
        inspect.DateType,
        inspect.DateTimeType,
    ),
    bool: (inspect.BoolType,),
    int: (inspect.IntType,),
}
"""Python type of a value -> the types of a union that it can be checked against."""


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
    most = len(value) if shape.max_length is None else shape.max_length
    if not (shape.min_length or 0) <= len(value) <= most:
        yield _fault(path, "wrong-length", f"{len(value)} members: should be {wanted(shape)}")
    yield from _each_name(value, path)
    for name, each in islice(value.items(), most):
        kind, _ = _open(shape.key_type, name)
        code = _wrong(name, kind)
        if code is not None and code != "lone-surrogate":
            detail = f"the name {shown(name)} should be {wanted(shape.key_type)}"
            yield _fault((*path, name), code, detail)
        elif code is None:
            yield from find_faults(each, shape.value_type, (*path, name))


def _elements(value: list[object], shape: inspect.VarTupleType, path: Path) -> Iterator[FaultOut]:
    most = len(value) if shape.max_length is None else shape.max_length
    if not (shape.min_length or 0) <= len(value) <= most:
        yield _fault(path, "wrong-length", f"{len(value)} entries: should be {wanted(shape)}")
    for index, element in enumerate(value[:most]):
        yield from find_faults(element, shape.item_type, (*path, index))


def _wrong(value: object, kind: inspect.Type) -> str | None:
    """Return the code of the error in a single value, None if it is valid."""
    if isinstance(value, str) and _SURROGATE.search(value):
        return "lone-surrogate"
    match kind:
        case inspect.IntType():
            return _wrong_number(value, kind) if type(value) is int else "wrong-type"
        case inspect.StrType():
            return _wrong_text(value, kind) if isinstance(value, str) else "wrong-type"
        case inspect.EnumType() | inspect.LiteralType():
            right = value in choices(kind)
            return None if right else "not-a-choice" if isinstance(value, str) else "wrong-type"
        case inspect.DateType():
            return _wrong_time(value, date) if isinstance(value, str) else "wrong-type"
        case inspect.DateTimeType():
            return _wrong_time(value, _MOMENT) if isinstance(value, str) else "wrong-type"
        case inspect.BoolType():
            return None if isinstance(value, bool) else "wrong-type"
        case (
            inspect.StructType() | inspect.DictType() | inspect.VarTupleType() | inspect.UnionType()
        ):
            return "wrong-type"
    # other kinds are left to the conversion of the complete struct
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


def _wrong_time(value: str, kind: Any) -> str | None:
    try:
        msgspec.convert(value, kind, strict=True)
    except msgspec.ValidationError:
        return "wrong-form"
    return None
