"""Rows: converts values to the form that columns hold, and back."""

from __future__ import annotations

import logging
import zlib
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Final

from kitwright.keeping.record import Waiting
from kitwright.keeping.store import RecordDamaged, RecordMissing
from kitwright.keeping.words import sought, words_of
from kitwright.store.failure import refused
from kitwright.store.seal import SEAL, SEALED, is_sound
from kitwright.store.sqlite import sqlite3

_LOG = logging.getLogger(__name__)

Row = Sequence[Any]
"""A row of a query, its columns in the order that the query names them."""
LARGEST: Final = 2**63 - 1
"""The largest integer of SQLite."""


class Damage:
    """The damaged records that were found so far, each reported once. Several threads may add."""

    def __init__(self) -> None:
        self.records: set[tuple[str, tuple[object, ...]]] = set()
        """Table and key of each."""

    def check_absent(self, table: str, key: tuple[object, ...]) -> None:
        """Raise if a record that was not found may be one of the damaged ones of its table.

        Raises: RecordDamaged.
        """
        if any(name == table and other != key for name, other in self.records):
            raise RecordDamaged(table, key)

    def add(self, error: RecordDamaged) -> None:
        """Report a damaged record, unless it was reported before."""
        found = error.table, error.key
        if found not in self.records:
            self.records.add(found)
            _LOG.error("set aside: %s", error)


class Session:
    """A connection during a transaction, as the tables' modules use it."""

    def __init__(self, connection: Any, damage: Damage | None = None) -> None:
        self.connection = connection
        self.damage = damage or Damage()
        self.has_erased = False
        """Whether something was erased that must leave no trace in the log."""
        self.has_closed = False
        """Whether a customer was erased or a key revoked, which the ledger has to say."""

    def set_aside(self, error: RecordDamaged) -> None:
        """Report a damaged record without which the rest can go on."""
        self.damage.add(error)

    def next_number(self, table: str) -> int:
        """Return the number of a table's next record: no record ever had it, in this generation or
        in one before.

        Raises: RecordDamaged, if it can't be told.
        """
        (column,) = SEALED[table]
        last: int = self.value(f"SELECT coalesce(max({column}), 0) FROM {table}")
        # of tables whose records may be deleted
        gone = self.value("SELECT seq FROM sqlite_sequence WHERE name = ?", (table,))
        return max(last, gone or 0, self._floor(table)) + 1

    def _floor(self, table: str) -> int:
        """Return the number above which a table's new records are, 0 if it has none."""
        names = ("name", "floor", SEAL)
        row = self.row("SELECT name, floor, seal FROM counters WHERE name = ?", (table,))
        if row is None:
            return 0
        if not is_sound("counters", dict(zip(names, row, strict=True))):
            raise RecordDamaged("counters", (table,))
        floor: int = row[1]
        return floor

    def rows(self, statement: str, values: Sequence[object] = ()) -> Iterator[Row]:
        """Return the rows of a query."""
        found: Iterator[Row]
        try:
            found = self.connection.execute(statement, values)
        except OverflowError:
            # no record has so large a number, and no number exceeds the largest
            found = self.connection.execute(statement, tuple(map(_bounded, values)))
        return found

    def raw_rows(self, statement: str, values: Sequence[object] = ()) -> Iterator[Row]:
        """Yield the rows of a query, with bytes in place of each text that is not UTF-8."""
        kind, self.connection.text_factory = self.connection.text_factory, _text
        try:
            yield from self.rows(statement, values)
        finally:
            self.connection.text_factory = kind

    def whole_rows(self, statement: str) -> Iterator[dict[str, Any]]:
        """Yield the rows of a query by column, with bytes in place of each text that is not UTF-8.

        Raises: sqlite3.Error.
        """
        try:
            described = self.connection.execute(f"{statement} LIMIT 0").description
        except UnicodeDecodeError as error:
            # the name of a column is not text any more
            raise sqlite3.DatabaseError("malformed database schema") from error
        names = [column[0] for column in described]
        for values in self.raw_rows(statement):
            yield dict(zip(names, values, strict=True))

    def row(self, statement: str, values: Sequence[object] = ()) -> Row | None:
        """Return the first row of a query."""
        return next(self.rows(statement, values), None)

    def value(self, statement: str, values: Sequence[object] = ()) -> Any:
        """Return the first column of the first row of a query, None if there is no row."""
        return (self.row(statement, values) or (None,))[0]

    def run(self, statement: str, values: Sequence[object] = ()) -> int:
        """Run a statement that changes rows; return how many it changed.

        Raises: RevisionSealed, RecordConflict.
        """
        changed: int = self._change(statement, values).rowcount
        return changed

    def _change(self, statement: str, values: Sequence[object]) -> Any:
        try:
            return self.connection.execute(statement, values)
        except sqlite3.IntegrityError as error:
            raise refused(error) from error

    def insert(self, table: str, columns: Mapping[str, object]) -> int:
        """Insert a row; return its rowid. Raises: RecordConflict."""
        names = ", ".join(columns)
        marks = ", ".join("?" * len(columns))
        done = self._change(
            f"INSERT INTO {table} ({names}) VALUES ({marks})",
            tuple(columns.values()),
        )
        rowid: int = done.lastrowid
        return rowid

    def update(
        self, table: str, columns: Mapping[str, object], where: Mapping[str, object]
    ) -> None:
        """Replace columns of the one row that a key selects.

        Raises: RecordMissing, RevisionSealed, RecordConflict.
        """
        sets = ", ".join(f"{name} = ?" for name in columns)
        key = " AND ".join(f"{name} = ?" for name in where)
        changed = self.run(
            f"UPDATE {table} SET {sets} WHERE {key}",
            (*columns.values(), *where.values()),
        )
        if changed != 1:
            found = ", ".join(f"{name} {value}" for name, value in where.items())
            raise RecordMissing(f"no record in {table} with {found}")


def _text(value: bytes) -> str | bytes:
    try:
        return value.decode()
    except UnicodeDecodeError:
        return value


def _bounded(value: object) -> object:
    return max(-LARGEST, min(LARGEST, value)) if isinstance(value, int) else value


def moment(value: datetime) -> str:
    """Return a time as text that sorts in time order: always UTC, always with microseconds."""
    # a third of the time that strftime takes, and a quote has a dozen timestamps
    return f"{value.astimezone(UTC).isoformat(timespec='microseconds')[:-6]}Z"


def read_moment(text: str | None) -> datetime | None:
    """Return the time that a text gives, or None."""
    return None if text is None else datetime.fromisoformat(text)


def waiting(session: Session, counted: str) -> Waiting:
    """Return what a query of a number and the oldest moment finds."""
    number, since = session.row(counted) or (0, None)
    return Waiting(number, read_moment(since))


def packed(body: bytes) -> bytes:
    """Return a body as it is stored: compressed, since JSON shrinks to a seventh of its size.

    The writer's thread compresses without holding the interpreter's lock.
    """
    return zlib.compress(body, 1)


def unpacked(kept: bytes) -> bytes:
    """Return a body from its stored form."""
    return zlib.decompress(kept)


def indexed(text: str) -> str:
    """Return a text in the form that the search index takes: normalised words, separated by
    spaces.
    """
    return " ".join(words_of(text))


def match_words(words: Sequence[str]) -> str:
    """Return a full-text query in which every word begins a word of the text. It is empty if none
    has a letter or a digit.
    """
    return " ".join(f'"{" ".join(parts)}"*' for parts in sought(words))
