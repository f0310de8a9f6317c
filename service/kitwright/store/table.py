"""Table: the records of one kind as rows, mapped member by member by the types of their struct.

Every row is sealed when it is written, and proven when it is read: a row that has changed in
between raises RecordDamaged.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping
from datetime import date, datetime
from enum import Enum
from types import MappingProxyType, NoneType
from typing import Any, Final, Generic, NamedTuple, TypeVar, get_args, get_origin, get_type_hints

import msgspec
from msgspec import Struct, structs

from kitwright.keeping.store import RecordDamaged
from kitwright.money import Money
from kitwright.store.rows import LARGEST, Row, Session, moment, packed, unpacked
from kitwright.store.seal import APART, DIGESTS, SEAL, digests_of, seal_of, sealed_names
from kitwright.store.sqlite import sqlite3

T = TypeVar("T", bound=Struct)
Codec = tuple[Callable[[Any], Any], Callable[[Any], Any]]
"""How a value is written to a column, and how it is read back."""

PACKED: Final[Codec] = (packed, unpacked)
"""For a body, which is stored compressed."""
_CURRENCY: Final = "currency"
_PAGE: Final = 16
"""How many rows are read at a time if the first sound ones are wanted."""
_NOT_TEXT: Final = "Could not decode to UTF-8"
"""The start of the message about a text whose bytes are not UTF-8."""


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
        renamed: member -> its column, if that has another name.
        codecs: member -> how it is stored, if its type does not determine that.
        left_out: member -> its value in every record, in place of a column.
        extra: columns that no member is for; whoever adds a record gives them.
    """

    def __init__(
        self,
        session: Session,
        name: str,
        struct: type[T],
        *,
        key: tuple[str, ...] = ("number",),
        number: str | None = None,
        renamed: Mapping[str, str] = MappingProxyType({}),
        codecs: Mapping[str, Codec] = MappingProxyType({}),
        left_out: Mapping[str, object] = MappingProxyType({}),
        extra: tuple[str, ...] = (),
    ) -> None:
        self.session = session
        self._name = name
        self._struct = struct
        self._key = key
        self._number = number
        self._left_out = left_out
        hints = get_type_hints(struct)
        members = [name for name in struct.__struct_fields__ if name not in left_out]
        self._columns = [
            _Column(renamed.get(name, name), name, *(codecs.get(name) or _codec(hints[name])))
            for name in members
        ]
        self._money = {name for name in members if _without_none(hints[name]) is Money}
        self._extra = extra
        self._apart = () if left_out else APART.get(name, ())
        names = [column.name for column in self._columns] + [_CURRENCY] * bool(self._money)
        self._currency = len(names) - 1
        names += [*extra, *([DIGESTS] if self._apart else ())]
        self._read = ", ".join(f"{name}.{column}" for column in (*names, SEAL))
        self._where = " AND ".join(f"{name} = ?" for name in key)
        self._covered = [(one, names.index(one)) for one in sealed_names(name, names)]
        self._own = [names.index(one) for one in key]
        self._bodies = [names.index(one) for one in self._apart]
        self._digests = names.index(DIGESTS) if self._apart else 0

    def _is_sound(self, row: Row) -> bool:
        """Return whether a row is as it was sealed."""
        try:
            if self._apart and digests_of(row[at] for at in self._bodies) != row[self._digests]:
                return False
            columns = [(name, row[at]) for name, at in self._covered]
            return bool(seal_of(self._name, columns) == row[-1])
        except (UnicodeError, ValueError, TypeError):
            return False

    def _record(self, row: Row) -> T:
        """Return the record of a row. Raises: RecordDamaged."""
        if not self._is_sound(row):
            raise RecordDamaged(self._name, tuple(row[at] for at in self._own))
        values = dict(self._left_out)
        for column, value in zip(self._columns, row, strict=False):
            if value is None:
                values[column.member] = None
            elif column.member in self._money:
                values[column.member] = Money(value, row[self._currency])
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

        Raises: RecordDamaged.
        """
        return tuple(map(self._record, self._rows(rest, values, source)))

    def sound(self, rest: str, *values: object) -> Iterator[T]:
        """Yield the records of a query, except damaged ones: each of them is set aside and
        reported. `rest` must give an order; it is read page by page, as far as it is needed.
        """
        for start in itertools.count(0, _PAGE):
            rows = self._rows(f"{rest} LIMIT {_PAGE} OFFSET {start}", values, None)
            for row in rows:
                try:
                    yield self._record(row)
                except RecordDamaged as error:
                    self.session.set_aside(error)
            if len(rows) < _PAGE:
                return

    def _rows(self, rest: str, values: tuple[object, ...], source: str | None) -> list[Row]:
        statement = f"SELECT {self._read} FROM {source or self._name} {rest}"
        try:
            return list(self.session.rows(statement, values))
        except sqlite3.OperationalError as error:
            if not str(error).startswith(_NOT_TEXT):
                raise
        # a text of some row is not one any more: with bytes in its place, the seal shows which
        return list(self.session.raw_rows(statement, values))

    def get(self, *key: int | str) -> T | None:
        """Return the record of a key, or None."""
        return next(iter(self.select(f"WHERE {self._where}", *key)), None)

    def of_quote(self, quote: int) -> tuple[T, ...]:
        """Return the records of a quote, oldest first."""
        return self.select(f"WHERE quote = ? ORDER BY {self._key[-1]}", quote)

    def sound_of_quote(self, quote: int) -> tuple[T, ...]:
        """Return the records of a quote, oldest first; damaged ones are set aside."""
        return tuple(self.sound(f"WHERE quote = ? ORDER BY {self._key[-1]}", quote))

    def add(self, record: T, **more: object) -> T:
        """Add a new record, with the values that `more` gives for other columns; return it with its
        number.

        Raises: RecordConflict.
        """
        kept = record
        if self._number is not None:
            number = self.session.next_number(self._name)
            kept = structs.replace(record, **{self._number: number})
        self.session.insert(self._name, self._sealed({**self._written(kept), **more}))
        return kept

    def put(self, record: T, **more: object) -> None:
        """Replace the record with the same key.

        Raises: RecordMissing, RevisionSealed, RecordConflict, RecordDamaged.
        """
        columns = self._written(record)
        key = {name: columns[name] for name in self._key}
        columns |= self._extras(key) | more
        self.session.update(self._name, self._sealed(columns), key)

    def _extras(self, key: Mapping[str, object]) -> dict[str, object]:
        """Return the stored values of the columns that no member is for; none if no record has the
        key.
        """
        if not self._extra:
            return {}
        values = (*key.values(),)
        row = next(iter(self._rows(f"WHERE {self._where}", values, None)), None)
        if row is None:
            return {}
        if not self._is_sound(row):
            raise RecordDamaged(self._name, values)
        first = self._currency + 1
        return dict(zip(self._extra, row[first : first + len(self._extra)], strict=True))

    def _sealed(self, columns: dict[str, Any]) -> dict[str, Any]:
        """Return the columns of a row with its seal."""
        if self._apart:
            columns[DIGESTS] = digests_of(columns[name] for name in self._apart)
        covered = [(name, columns.get(name)) for name, _ in self._covered]
        return {**columns, SEAL: seal_of(self._name, covered)}


class Numbered(Table[T]):
    """A table that assigns the numbers of its records."""

    def __init__(self, session: Session, name: str, struct: type[T], **how: Any) -> None:
        super().__init__(session, name, struct, number="number", **how)

    def get(self, *key: int | str) -> T | None:
        """Return the record of a key, or None."""
        found = super().get(*key)
        if found is None:
            # it may be there, under a number that has changed
            self.session.damage.check_absent(self._name, key)
        return found

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
    is_struct = isinstance(kind, type) and issubclass(kind, Struct) and kind is not Money
    if is_struct or get_origin(kind) in (dict, tuple):
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
