"""Table: stores records of one kind as rows, mapped member by member by the types of their
struct.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, datetime
from enum import Enum
from types import NoneType
from typing import Any, Final, Generic, NamedTuple, TypeVar, get_args, get_origin, get_type_hints

import msgspec
from msgspec import Struct, structs

from kitwright.money import Money
from kitwright.store.rows import Row, Session, moment, packed, unpacked

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
    """A table of records of one struct: one column for each member, all amounts in one currency.

    Args:
        name: of the table.
        struct: of the records.
        key: the columns that identify one record.
        number: the column whose numbers the table assigns, empty if there is none.
        renamed: member -> its column, if that has another name.
        codecs: member -> how it is stored, if its type does not determine that.
        left_out: member -> its value in every record, in place of a column.
    """

    def __init__(
        self,
        name: str,
        struct: type[T],
        *,
        key: tuple[str, ...] = ("number",),
        number: str = "number",
        renamed: Mapping[str, str] | None = None,
        codecs: Mapping[str, Codec] | None = None,
        left_out: Mapping[str, object] | None = None,
    ) -> None:
        self._name = name
        self._struct = struct
        self._key = key
        self._number = number
        self._left_out = dict(left_out or {})
        hints = get_type_hints(struct)
        members = [name for name in struct.__struct_fields__ if name not in self._left_out]
        self._columns = [
            _Column((renamed or {}).get(name, name), name, *_codec(hints[name], codecs, name))
            for name in members
        ]
        self._money = {name for name in members if _without_none(hints[name]) is Money}
        names = [column.name for column in self._columns] + [_CURRENCY] * bool(self._money)
        self.columns = ", ".join(f"{self._name}.{name}" for name in names)
        """The columns of a record, for a query whose rows `read` takes."""
        self._where = " AND ".join(f"{name} = ?" for name in key)

    def read(self, rows: Iterable[Row]) -> tuple[T, ...]:
        """Return the records of rows of `columns`."""
        return tuple(map(self._record, rows))

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

    def written(self, record: T) -> dict[str, object]:
        """Return a record as values by column."""
        columns: dict[str, object] = {}
        for column in self._columns:
            value = getattr(record, column.member)
            columns[column.name] = None if value is None else column.write(value)
            if column.member in self._money and value is not None:
                columns[_CURRENCY] = value.currency
        return columns

    def find(self, session: Session, rest: str, values: Sequence[object] = ()) -> tuple[T, ...]:
        """Return the records of a query; `rest` is everything that follows the table's name."""
        return self.read(session.rows(f"SELECT {self.columns} FROM {self._name} {rest}", values))

    def get(self, session: Session, *key: object) -> T | None:
        """Return the record of a key, or None."""
        found = self.find(session, f"WHERE {self._where}", key)
        return found[0] if found else None

    def add(self, session: Session, record: T, **more: object) -> T:
        """Add a new record, with the values that `more` gives for other columns; return it with its
        number.

        Raises: RecordConflict.
        """
        columns = {**self.written(record), **more}
        columns.pop(self._number, None)
        number = session.insert(self._name, columns)
        return structs.replace(record, **{self._number: number}) if self._number else record

    def put(self, session: Session, record: T, **more: object) -> None:
        """Replace the record with the same key.

        Raises: RecordMissing, RevisionSealed, RecordConflict.
        """
        columns = self.written(record)
        session.update(self._name, {**columns, **more}, {name: columns[name] for name in self._key})


def _codec(hint: Any, codecs: Mapping[str, Codec] | None, member: str) -> Codec:
    if codecs and member in codecs:
        return codecs[member]
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
