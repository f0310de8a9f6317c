"""Table: the records of one kind as rows, mapped member by member by the types of their struct."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime
from enum import Enum
from types import MappingProxyType, NoneType
from typing import Any, Final, Generic, NamedTuple, TypeVar, get_args, get_origin, get_type_hints

import msgspec
from msgspec import Struct, structs

from kitwright.money import Money
from kitwright.store.rows import LARGEST, Row, Session, moment, packed, unpacked

T = TypeVar("T", bound=Struct)
Codec = tuple[Callable[[Any], Any], Callable[[Any], Any]]
"""How a value is written to a column, and how it is read back."""

PACKED: Final[Codec] = (packed, unpacked)
"""For a body, which is stored compressed."""
_CURRENCY: Final = "currency"


class _Column(NamedTuple):
    name: str
    member: str
    write: Callable[[Any], Any]
    read: Callable[[Any], Any]


class Table(Generic[T]):
    """Records of one struct: one column for each member, all amounts in one currency. It is
    `kitwright.keeping.store.Kept`.

    Args:
        name: of the table.
        struct: of the records.
        key: the columns that identify one record.
        number: the column whose numbers the table assigns, None if there is none.
        is_counted: whether its numbers go on beyond a floor, and are not assigned by SQLite.
        renamed: member -> its column, if that has another name.
        codecs: member -> how it is stored, if its type does not determine that.
        left_out: member -> its value in every record, in place of a column.
    """

    def __init__(
        self,
        session: Session,
        name: str,
        struct: type[T],
        *,
        key: tuple[str, ...] = ("number",),
        number: str | None = None,
        is_counted: bool = True,
        renamed: Mapping[str, str] = MappingProxyType({}),
        codecs: Mapping[str, Codec] = MappingProxyType({}),
        left_out: Mapping[str, object] = MappingProxyType({}),
    ) -> None:
        self.session = session
        self._name = name
        self._struct = struct
        self._key = key
        self._number = number
        self._is_counted = is_counted
        self._left_out = left_out
        hints = get_type_hints(struct)
        members = [name for name in struct.__struct_fields__ if name not in left_out]
        self._columns = [
            _Column(renamed.get(name, name), name, *(codecs.get(name) or _codec(hints[name])))
            for name in members
        ]
        self._money = {name for name in members if _without_none(hints[name]) is Money}
        names = [column.name for column in self._columns] + [_CURRENCY] * bool(self._money)
        self._read = ", ".join(f"{name}.{column}" for column in names)
        self._where = " AND ".join(f"{name} = ?" for name in key)

    def _record(self, row: Row) -> T:
        values = dict(self._left_out)
        for column, value in zip(self._columns, row, strict=False):
            if value is None:
                values[column.member] = None
            elif column.member in self._money:
                values[column.member] = Money(value, row[-1])
            else:
                values[column.member] = column.read(value)
        return self._struct(**values)

    def _written(self, record: T) -> dict[str, object]:
        """Return a record as values by column."""
        columns: dict[str, object] = {}
        for column in self._columns:
            value = getattr(record, column.member)
            columns[column.name] = None if value is None else column.write(value)
            if column.member in self._money and value is not None:
                columns[_CURRENCY] = value.currency
        return columns

    def select(self, rest: str, *values: object, source: str | None = None) -> tuple[T, ...]:
        """Return the records of a query; `rest` is everything that follows the table's name, or the
        join `source` in its place.
        """
        found = self.session.rows(f"SELECT {self._read} FROM {source or self._name} {rest}", values)
        return tuple(map(self._record, found))

    def get(self, *key: int | str) -> T | None:
        """Return the record of a key, or None."""
        return next(iter(self.select(f"WHERE {self._where}", *key)), None)

    def of_quote(self, quote: int) -> tuple[T, ...]:
        """Return the records of a quote, oldest first."""
        return self.select(f"WHERE quote = ? ORDER BY {self._key[-1]}", quote)

    def add(self, record: T, **more: object) -> T:
        """Add a new record, with the values that `more` gives for other columns; return it with its
        number.

        Raises: RecordConflict.
        """
        columns = {**self._written(record), **more}
        if self._number is None:
            self.session.insert(self._name, columns)
            return record
        if self._is_counted:
            columns[self._number] = self._next()
        else:
            del columns[self._number]
        return structs.replace(record, **{self._number: self.session.insert(self._name, columns)})

    def _next(self) -> int:
        """Return the next number: one that was never given, in this generation or in one before."""
        number: int = self.session.value(
            f"SELECT 1 + max(floor, (SELECT coalesce(max({self._number}), 0) FROM {self._name}))"
            " FROM counters WHERE name = ?",
            (self._name,),
        )
        return number

    def put(self, record: T, **more: object) -> None:
        """Replace the record with the same key.

        Raises: RecordMissing, RevisionSealed, RecordConflict.
        """
        columns = self._written(record)
        key = {name: columns[name] for name in self._key}
        self.session.update(self._name, {**columns, **more}, key)


class Numbered(Table[T]):
    """A table that assigns the numbers of its records."""

    def __init__(self, session: Session, name: str, struct: type[T], **how: Any) -> None:
        super().__init__(session, name, struct, number="number", **how)

    def drop(self, number: int) -> None:
        """Delete a record. Does nothing if there is none."""
        self.session.run(f"DELETE FROM {self._name} WHERE number = ?", (number,))

    def page(self, before: int | None, most: int, **wanted: object) -> tuple[T, ...]:
        """Return at most `most` records below a number, newest first: those that have every wanted
        value, by column. None is any value.
        """
        values = {name: value for name, value in wanted.items() if value is not None}
        where = " AND ".join(["number < ?", *(f"{name} = ?" for name in values)])
        below = LARGEST if before is None else before
        return self.select(
            f"WHERE {where} ORDER BY number DESC LIMIT ?", below, *values.values(), most
        )


def _codec(hint: Any) -> Codec:
    kind = _without_none(hint)
    if get_origin(kind) in (dict, tuple):
        decoder = msgspec.json.Decoder(kind)
        return (lambda value: msgspec.json.encode(value).decode()), decoder.decode
    if isinstance(kind, type) and issubclass(kind, Enum):
        return (lambda value: value.value), kind
    return _CODECS[kind]


def _without_none(hint: Any) -> Any:
    kinds = [each for each in get_args(hint) if each is not NoneType]
    return kinds[0] if NoneType in get_args(hint) else hint


def _same(value: Any) -> Any:
    return value


_CODECS: Final[dict[Any, Codec]] = {
    int: (_same, _same),
    str: (_same, _same),
    bytes: (_same, bytes),
    bool: (int, bool),
    datetime: (moment, datetime.fromisoformat),
    date: (date.isoformat, date.fromisoformat),
    Money: (lambda value: value.minor, _same),
}
"""Type of a member -> how it is stored."""
