"""Mutation: one field of one kind of record changed at once in every record that has it.

Kinds and fields are found by walking the structs that files are decoded to, so a field that
somebody adds is there without being named. What it is changed to follows from its type alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import date, timedelta
from enum import Enum
from functools import cache, partial
from types import NoneType, UnionType
from typing import Annotated, Any, Final, NamedTuple, NewType, Union, get_args, get_origin

from msgspec import Struct, structs

from kitwright.units import Figure

Kind = type[Struct]
Apply = Callable[[Any], Any]
Known = Mapping[Any, Any]
"""A type of ids -> an id of it that there is."""


class Place(NamedTuple):
    """A field of a kind of record."""

    kind: Kind
    field: str

    def __str__(self) -> str:
        return f"{self.kind.__name__}.{self.field}"


def kinds_of(kind: Any) -> Iterator[Kind]:
    """Yield the kinds of record in a type, its own first."""
    if isinstance(kind, type) and issubclass(kind, Struct):
        yield kind
        for field in structs.fields(kind):
            yield from kinds_of(field.type)
    for inner in get_args(kind):
        yield from kinds_of(inner)


@cache
def _within(kind: Kind) -> frozenset[Kind] | None:
    """Return the kinds of record in a kind of record, with itself; None if its fields don't say:
    what is of a kind there may be of a more special one.
    """
    found = frozenset(kinds_of(kind))
    return None if any(each.__subclasses__() for each in found - {kind}) else found


def places(*roots: Kind) -> list[Place]:
    """Return every field of every kind of record at or below some roots.

    A field that always holds one record is left out: what it says are that record's own fields.
    """
    found = dict.fromkeys(kind for root in roots for kind in kinds_of(root))
    return [
        Place(kind, field.name)
        for kind in found
        for field in structs.fields(kind)
        if not (isinstance(field.type, type) and issubclass(field.type, Struct))
    ]


def ids_known(*records: Struct) -> dict[Any, Any]:
    """Return an id that records hold for every type of ids."""
    found: dict[Any, Any] = {}

    def look(kind: Any, value: Any) -> None:
        if isinstance(value, Struct):
            for field in structs.fields(value):
                look(field.type, getattr(value, field.name))
        elif isinstance(kind, NewType):
            found.setdefault(kind, value)
        elif value is not None:
            inner, _ = _without_none(kind)
            if isinstance(inner, NewType):
                found.setdefault(inner, value)
            for key in value if isinstance(value, dict) else ():
                look(get_args(inner)[0], key)
            rows = value.values() if isinstance(value, dict) else value
            for row in rows if isinstance(value, dict | tuple) else ():
                look(_row(inner), row)

    for record in records:
        look(type(record), record)
    return found


def changes(place: Place, known: Known) -> Iterator[Apply]:
    """Yield what makes another value of a field's, the mildest first."""
    (kind,) = (each.type for each in structs.fields(place.kind) if each.name == place.field)
    yield from _changes(kind, known)


def _without_none(kind: Any) -> tuple[Any, bool]:
    if get_origin(kind) is Annotated:
        return _without_none(get_args(kind)[0])
    if get_origin(kind) in (Union, UnionType):
        (inner,) = (each for each in get_args(kind) if each is not NoneType)
        return inner, True
    return kind, False


def _changes(kind: Any, known: Known) -> Iterator[Apply]:
    inner, may_be_none = _without_none(kind)
    for apply in _rows_changed(inner, known) if get_origin(inner) else _plain_changes(inner):
        yield _but_none(apply)
    if may_be_none:
        yield lambda value: made(inner, known) if value is None else value
        if inner is bool:
            yield lambda value: False if value is None else value
        yield lambda _: None


def _rows_changed(kind: Any, known: Known) -> Iterator[Apply]:
    for apply in _changes(_row(kind), known):
        yield _each(apply)
    yield lambda rows: rows or made(kind, known)
    if get_origin(kind) is tuple:
        yield lambda rows: rows[::-1]
        yield lambda rows: rows[1:]
    yield lambda rows: type(rows)()


def _row(kind: Any) -> Any:
    """Return the type of what a tuple or a dict holds."""
    return get_args(kind)[0 if get_origin(kind) is tuple else 1]


def _plain_changes(kind: Any) -> Iterator[Apply]:
    while isinstance(kind, NewType):
        kind = kind.__supertype__
    if issubclass(kind, Enum):
        members = list(kind)
        yield dict(zip(members, [*members[1:], members[0]], strict=True)).__getitem__
        yield from (partial(_instead, member) for member in members)
    yield from _OTHERS.get(kind, ())


_OTHERS: Final[dict[type, tuple[Apply, ...]]] = {
    bool: (lambda value: not value,),
    int: (lambda value: value * 3 + 11, lambda _: 0),
    Figure: (
        lambda value: Figure(value * 3 / 2 + 1),
        lambda value: Figure(value / 2),
        lambda value: Figure(value * 1000 + 1000),
    ),
    date: (lambda day: day + timedelta(days=400), lambda day: day - timedelta(days=400)),
    str: (lambda text: f"{text} and more",),
}
_NEW: Final[dict[type, Any]] = {
    bool: True,
    int: 3,
    Figure: Figure("0.5"),
    date: date(2027, 3, 4),
    str: "new",
}


def _instead(new: Any, _: Any) -> Any:
    return new


def _but_none(apply: Apply) -> Apply:
    return lambda value: None if value is None else apply(value)


def _each(apply: Apply) -> Apply:
    def every(rows: Any) -> Any:
        if isinstance(rows, dict):
            return {name: apply(row) for name, row in rows.items()}
        return tuple(map(apply, rows))

    return every


def made(kind: Any, known: Known) -> Any:
    """Return a value of a type."""
    inner, _ = _without_none(kind)
    if inner in known:
        return known[inner]
    while isinstance(inner, NewType):
        inner = inner.__supertype__
    arguments = get_args(inner)
    if get_origin(inner) is tuple:
        return (made(arguments[0], known),)
    if get_origin(inner) is dict:
        return {made(arguments[0], known): made(arguments[1], known)}
    if issubclass(inner, Struct):
        given = [field for field in structs.fields(inner) if field.required]
        return inner(**{field.name: made(field.type, known) for field in given})
    return list(inner)[-1] if issubclass(inner, Enum) else _NEW[inner]


def changed(value: Any, changes: Mapping[Place, Apply]) -> Any:
    """Return a value with some fields changed in all records of their kinds; itself where none
    is, so that the same value has the same identity.
    """
    if isinstance(value, Struct):
        within = _within(type(value))
        if within is not None and within.isdisjoint(place.kind for place in changes):
            return value
        new = {}
        for name in value.__struct_fields__:
            old = getattr(value, name)
            now = changed(old, changes)
            apply = changes.get(Place(type(value), name))
            if apply is not None:
                now = apply(now)
            if now is not old:
                new[name] = now
        return structs.replace(value, **new) if new else value
    if isinstance(value, tuple):
        rows = tuple(changed(row, changes) for row in value)
        return value if all(a is b for a, b in zip(rows, value, strict=True)) else rows
    if isinstance(value, dict):
        made = {name: changed(row, changes) for name, row in value.items()}
        return value if all(made[name] is row for name, row in value.items()) else made
    return value
