"""Scrub: proves a whole database, its structure and every row."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from functools import cache
from typing import Any, Final

from sqlite_utils import Database

from kitwright.keeping.store import RecordDamaged
from kitwright.store.rows import Session
from kitwright.store.schema import MIGRATIONS
from kitwright.store.seal import CHAIN, SEALED, is_sound, key_of, link_of
from kitwright.store.sqlite import sqlite3

_MOST: Final = 20
"""How many errors of the structure are reported."""


def structural(connection: Any) -> Iterator[str]:
    """Yield every error in the structure of a database with the newest schema: pages, indexes,
    search, references and the definitions of tables.

    Raises: sqlite3.Error.
    """
    yield from broken(connection)
    yield from lost_references(connection)
    there, needed = _schema_of(connection), _newest_schema()
    for name in sorted(needed.keys() | there.keys()):
        if there.get(name) != needed.get(name):
            yield f"the definition of {name} is not as it was made"


def broken(connection: Any) -> Iterator[str]:
    """Yield every error in a database's pages, indexes and search. Raises: sqlite3.Error."""
    for (told,) in connection.execute(f"PRAGMA integrity_check({_MOST})"):
        if told != "ok":
            yield told


def lost_references(connection: Any) -> Iterator[str]:
    """Yield every row that refers to a missing one. Raises: sqlite3.Error."""
    for table, row, parent, _ in connection.execute("PRAGMA foreign_key_check"):
        yield f"row {row} of {table} refers to a missing row of {parent}"


def _schema_of(connection: Any) -> dict[str, tuple[str, ...]]:
    """Return the definition of everything in a database, by name."""
    rows = connection.execute("SELECT name, type, tbl_name, sql FROM sqlite_schema WHERE sql <> ''")
    own = MIGRATIONS.migrations_table
    return {row[0]: tuple(row[1:]) for row in rows if row[0] not in (own, "sqlite_stat1")}


@cache
def _newest_schema() -> dict[str, tuple[str, ...]]:
    with contextlib.closing(sqlite3.connect(":memory:")) as empty:
        MIGRATIONS.apply(Database(empty))
        return _schema_of(empty)


def definition_of(name: str) -> str:
    """Return the statement that makes a table of the newest schema."""
    return _newest_schema()[name][2]


def damaged_rows(connection: Any) -> Iterator[RecordDamaged]:
    """Yield every row that has changed since it was written.

    Raises: sqlite3.Error.
    """
    session = Session(connection)
    for table in SEALED:
        for row in session.whole_rows(f"SELECT * FROM {table}"):
            if not is_sound(table, row):
                yield RecordDamaged(table, key_of(table, row))


def broken_links(connection: Any) -> Iterator[int]:
    """Yield the place of every event that does not follow from the one before it.

    Raises: sqlite3.Error.
    """
    link = b""
    for row in Session(connection).whole_rows("SELECT * FROM events ORDER BY seq"):
        try:
            is_linked = row[CHAIN] == link_of(link, row)
        except (UnicodeError, ValueError, TypeError):
            is_linked = False
        if not is_linked:
            yield row["seq"]
        link = row[CHAIN]
