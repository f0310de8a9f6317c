"""Book: all numbers of one price file of a supplier, in a SQLite file of its own.

A book is built under another name, and never changes after that.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import msgspec
from sqlite_utils import Database
from sqlite_utils.utils import sqlite3  # type: ignore[attr-defined]

from kitwright.catalogue.model import Availability
from kitwright.prices.number import number_key
from kitwright.prices.record import Entry, RowError

_BATCH: Final = 2_000
_CACHE_KIB: Final = 32 * 1024
_MAPPED: Final = 2**31
"""Bytes of a book that are read where the system has them in memory, without a copy."""
_COLUMNS: Final = (
    "line", "number", "maker", "maker_number", "description", "list_price", "cost", "pack",
    "minimum", "multiple", "breaks", "availability", "stock", "lead_days", "core",
    "superseded_by", "replaces",
)  # fmt: skip
_TYPES: Final[dict[str, type]] = {
    "line": int, "number": str, "key": str, "maker": str, "maker_number": str, "maker_key": str,
    "description": str, "list_price": int, "cost": int, "pack": int, "minimum": int,
    "multiple": int, "breaks": str, "availability": str, "stock": int, "lead_days": int,
    "core": int, "superseded_by": str, "replaces": str, "replaces_key": str,
}  # fmt: skip
_OPTIONAL: Final = frozenset(
    {"maker_key", "list_price", "cost", "breaks", "stock", "lead_days", "core", "replaces_key"}
)
INSERT: Final = f"INSERT INTO entries ({', '.join(_TYPES)}) VALUES ({', '.join('?' * len(_TYPES))})"
INDEXES: Final = (
    "CREATE UNIQUE INDEX by_number ON entries (number)",
    "CREATE INDEX by_key ON entries (key)",
    "CREATE INDEX by_maker_key ON entries (maker_key) WHERE maker_key IS NOT NULL",
    "CREATE INDEX by_replaces ON entries (replaces_key) WHERE replaces_key IS NOT NULL",
)
"""The numbers are checked for repeats by the first of them."""
WORDS: Final = (
    "CREATE VIRTUAL TABLE words USING fts5(description, maker, content='entries',"
    " content_rowid='line', detail=none, columnsize=0, tokenize='unicode61 remove_diacritics 2')",
    "INSERT INTO words(words) VALUES ('rebuild')",
)
_SELECT: Final = f"SELECT {', '.join(f'entries.{name}' for name in _COLUMNS)} FROM entries "
_BREAKS: Final = msgspec.json.Decoder(tuple[tuple[int, int], ...])
_AVAILABILITY: Final = {each.value: each for each in Availability}


class BookWriter:
    """Builds a book under a temporary name."""

    def __init__(self, file: Path) -> None:
        self._file = file
        self._connection = connection = sqlite3.connect(str(file), isolation_level=None)
        for setting in ("journal_mode = OFF", "synchronous = OFF", "temp_store = FILE"):
            connection.execute(f"PRAGMA {setting}")
        connection.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
        create_tables(connection)
        self._entries: list[tuple[Any, ...]] = []
        self._errors: list[tuple[Any, ...]] = []
        self.rows = 0
        self.errors = 0
        self.number_heading = ""
        """The heading of the column of the numbers, for errors that concern several rows."""
        connection.execute("BEGIN")

    def add(self, entry: Entry) -> None:
        """Add an entry; its line is above those before it."""
        self._entries.append(row_of(entry))
        self.rows += 1
        if len(self._entries) >= _BATCH:
            self._flush()

    def add_errors(self, errors: Iterable[RowError]) -> None:
        """Add errors of a row."""
        for error in errors:
            self._errors.append((error.line, error.column, error.value, error.code, error.reason))
            self.errors += 1
        if len(self._errors) >= _BATCH:
            self._flush()

    def _flush(self) -> None:
        self._connection.executemany(INSERT, self._entries)
        self._connection.executemany("INSERT INTO errors VALUES (?, ?, ?, ?, ?)", self._errors)
        self._entries.clear()
        self._errors.clear()

    def finish(self, told: Any = lambda: None) -> str:
        """Complete the book, and return its SHA-256. `told` is called between the steps.

        A number that is in the file twice is an error. If there are errors, the book has no
        indexes, and only its errors are of use.
        """
        self._flush()
        execute = self._connection.execute
        try:
            execute(INDEXES[0])
        except sqlite3.IntegrityError:
            self._add_repeats()
        if not self.errors:
            for statement in (*INDEXES[1:], *WORDS):
                told()
                execute(statement)
        else:
            execute("DROP TABLE entries")
        execute("COMMIT")
        told()
        if self.errors:
            execute("VACUUM")
        self._connection.close()
        return settled(self._file)

    def _add_repeats(self) -> None:
        execute = self._connection.execute
        execute("CREATE INDEX numbers ON entries (number, line)")
        repeats = execute(
            "SELECT line, number, (SELECT min(line) FROM entries AS first"
            " WHERE first.number = entries.number) AS earlier FROM entries"
            " WHERE line > earlier ORDER BY line"
        )
        more = [
            RowError(
                line=line,
                column=self.number_heading,
                value=number,
                code="number-twice",
                reason=f"the number is also in line {earlier}",
            )
            for line, number, earlier in repeats
        ]
        self.add_errors(more)
        self._flush()

    def give_up(self) -> None:
        """Close and delete what was built."""
        self._connection.close()
        self._file.unlink(missing_ok=True)


def create_tables(connection: Any) -> None:
    """Create the tables of a book."""
    database = Database(connection)
    database.table("entries").create(
        _TYPES, pk="line", not_null=set(_TYPES) - _OPTIONAL, strict=True
    )
    database.table("errors").create(
        {"line": int, "column": str, "value": str, "code": str, "reason": str}, strict=True
    )


def row_of(entry: Entry) -> tuple[Any, ...]:
    """Return an entry as a row of the table."""
    number, maker_number, replaces = entry.number, entry.maker_number, entry.replaces
    key = number_key(number)
    maker_key: str | None = number_key(maker_number) if maker_number else None
    return (
        entry.line,
        number,
        key,
        entry.maker,
        maker_number,
        None if maker_key == key else maker_key,
        entry.description,
        entry.list_price,
        entry.cost,
        entry.pack,
        entry.minimum,
        entry.multiple,
        msgspec.json.encode(entry.breaks).decode() if entry.breaks else None,
        entry.availability._value_,
        entry.stock,
        entry.lead_days,
        entry.core,
        entry.superseded_by,
        replaces,
        number_key(replaces) if replaces else None,
    )


def settled(file: Path) -> str:
    """Return the SHA-256 of a file once all of it is on the disk."""
    with file.open("rb+") as opened:
        os.fsync(opened.fileno())
        return hashlib.file_digest(opened, "sha256").hexdigest()


class Book:
    """A complete book, open for reading. It has to be closed.

    It may be used by one thread at a time.
    """

    def __init__(self, file: Path) -> None:
        self.file = file
        # it never changes, so nothing is locked
        uri = f"{file.absolute().as_uri()}?mode=ro&immutable=1"
        self.connection = sqlite3.connect(
            uri, uri=True, isolation_level=None, check_same_thread=False
        )
        self.connection.execute(f"PRAGMA mmap_size = {_MAPPED}")
        self.connection.execute("PRAGMA trusted_schema = OFF")

    def close(self) -> None:
        """Close it."""
        self.connection.close()

    def _entries(self, rest: str, values: Sequence[object]) -> tuple[Entry, ...]:
        return tuple(map(_entry, self.connection.execute(_SELECT + rest, values)))

    def by_key(self, key: str, most: int) -> tuple[Entry, ...]:
        """Return the entries that the supplier or the maker has under a number's key."""
        own = self._entries("WHERE key = ? ORDER BY line LIMIT ?", (key, most))
        makers = self._entries("WHERE maker_key = ? ORDER BY line LIMIT ?", (key, most))
        return (*own, *makers)[:most]

    def by_old_key(self, key: str, most: int) -> tuple[Entry, ...]:
        """Return the entries that replace a number."""
        return self._entries("WHERE replaces_key = ? ORDER BY line LIMIT ?", (key, most))

    def by_start(self, key: str, most: int) -> tuple[Entry, ...]:
        """Return entries whose number begins like a key, in the order of their keys."""
        values = (key, f"{key}\U0010ffff", most)
        own = self._entries("WHERE key >= ? AND key < ? ORDER BY key LIMIT ?", values)
        makers = self._entries(
            "WHERE maker_key >= ? AND maker_key < ? ORDER BY maker_key LIMIT ?", values
        )
        return (*own, *makers)[:most]

    def by_words(self, match: str, most: int) -> tuple[Entry, ...]:
        """Return entries whose description and maker have the words of an FTS5 query, in the order
        of the file.
        """
        return self._entries(
            "JOIN words ON words.rowid = entries.line WHERE words MATCH ?"
            " ORDER BY words.rowid LIMIT ?",
            (match, most),
        )

    def numbered(self, number: str) -> Entry | None:
        """Return the entry of exactly one number of the supplier, None if there is none."""
        found = self._entries("WHERE number = ?", (number,))
        return found[0] if found else None

    def successor(self, entry: Entry) -> Entry:
        """Return the entry that an entry is superseded by in the end, or itself.

        The last one that the book has counts; a circle ends where it began.
        """
        seen = {entry.number}
        while entry.superseded_by:
            after = self.by_key(number_key(entry.superseded_by), 1)
            if not after or after[0].number in seen:
                break
            entry = after[0]
            seen.add(entry.number)
        return entry

    def errors(self, after: int, most: int) -> tuple[tuple[int, RowError], ...]:
        """Return errors of the file with their positions, those after a position, in order."""
        rows = self.connection.execute(
            "SELECT rowid, * FROM errors WHERE rowid > ? ORDER BY rowid LIMIT ?", (after, most)
        )
        return tuple(
            (at, RowError(line=line, column=column, value=value, code=code, reason=reason))
            for at, line, column, value, code, reason in rows
        )

    def everything(self) -> Iterator[Entry]:
        """Yield all entries in the order of the file."""
        for row in self.connection.execute(f"{_SELECT} ORDER BY line"):
            yield _entry(row)


def _entry(row: Sequence[Any]) -> Entry:
    values = dict(zip(_COLUMNS, row, strict=True))
    breaks = values["breaks"]
    values["breaks"] = () if breaks is None else _BREAKS.decode(breaks)
    values["availability"] = _AVAILABILITY[values["availability"]]
    return Entry(**values)


@contextlib.contextmanager
def opened(file: Path) -> Iterator[Book]:
    """Open a book, and close it afterwards."""
    book = Book(file)
    try:
        yield book
    finally:
        book.close()
