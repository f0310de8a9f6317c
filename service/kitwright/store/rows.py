"""Rows: values as columns hold them, and back."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Any

from kitwright.money import Money

Row = Sequence[Any]
"""A row of a query, its columns in the order that the query names them."""


class Session:
    """A connection in the middle of a transaction: what the tables' modules speak to."""

    def __init__(self, connection: Any) -> None:
        self._connection = connection
        self.has_erased = False
        """Whether something was erased of which no trace may stay in the log."""

    def rows(self, statement: str, values: Sequence[object] = ()) -> Iterator[Row]:
        """Return the rows of a query."""
        found: Iterator[Row] = self._connection.execute(statement, values)
        return found

    def row(self, statement: str, values: Sequence[object] = ()) -> Row | None:
        """Return the first row of a query."""
        found: Row | None = self._connection.execute(statement, values).fetchone()
        return found

    def run(self, statement: str, values: Sequence[object] = ()) -> int:
        """Run a statement that changes; return how many rows it changed."""
        changed: int = self._connection.execute(statement, values).rowcount
        return changed

    def insert(self, table: str, columns: Mapping[str, object]) -> int:
        """Insert a row; return its rowid."""
        names = ", ".join(columns)
        marks = ", ".join("?" * len(columns))
        done = self._connection.execute(
            f"INSERT INTO {table} ({names}) VALUES ({marks})",
            tuple(columns.values()),
        )
        rowid: int = done.lastrowid
        return rowid

    def update(
        self, table: str, columns: Mapping[str, object], where: Mapping[str, object]
    ) -> None:
        """Replace columns of the one row that a key finds. Raises: KeyError, where none is."""
        sets = ", ".join(f"{name} = ?" for name in columns)
        key = " AND ".join(f"{name} = ?" for name in where)
        changed = self.run(
            f"UPDATE {table} SET {sets} WHERE {key}",
            (*columns.values(), *where.values()),
        )
        if changed != 1:
            raise KeyError(f"{table}: {dict(where)}")


def moment(value: datetime) -> str:
    """Return a moment as text that sorts in time: always UTC, always microseconds."""
    return value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def moment_or_none(value: datetime | None) -> str | None:
    """Return a moment as text, or None."""
    return None if value is None else moment(value)


def read_moment(text: str) -> datetime:
    """Return the moment of a text."""
    return datetime.fromisoformat(text)


def read_moment_or_none(text: str | None) -> datetime | None:
    """Return the moment of a text, or None."""
    return None if text is None else datetime.fromisoformat(text)


def day_or_none(value: date | None) -> str | None:
    """Return a day as text, or None."""
    return None if value is None else value.isoformat()


def read_day_or_none(text: str | None) -> date | None:
    """Return the day of a text, or None."""
    return None if text is None else date.fromisoformat(text)


def money_or_none(minor: int | None, currency: str) -> Money | None:
    """Return an amount, or None."""
    return None if minor is None else Money(minor, currency)


def packed(body: bytes) -> bytes:
    """Return a body as it is kept: compressed, since JSON shrinks to a seventh of its size.

    The writer's thread compresses, without holding the interpreter's lock.
    """
    return zlib.compress(body, 1)


def unpacked(kept: bytes) -> bytes:
    """Return a body from what is kept of it."""
    return zlib.decompress(kept)


def match_words(words: Sequence[str]) -> str:
    """Return a full-text query: every word begins a word of the text, whatever it is made of."""
    return " ".join('"{}"*'.format(word.replace('"', '""')) for word in words)
