"""Engine: the store of a data folder, one writer and readers inline.

SQLite with a write-ahead log, full synchronisation and foreign keys on. Where `pysqlite3` is
installed, sqlite-utils takes it in place of the system's SQLite.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar

from sqlite_utils import Database

from kitwright.keeping.store import Records, StoreUnavailable
from kitwright.store.events import EventTables
from kitwright.store.failure import translated
from kitwright.store.keys import AnswerTables, KeyTables
from kitwright.store.orders import OrderTables, PhotoTables
from kitwright.store.people import PeopleTables
from kitwright.store.quotes import QuoteTables
from kitwright.store.rows import Session
from kitwright.store.schema import MIGRATIONS
from kitwright.store.sqlite import sqlite3
from kitwright.store.writer import Writer

T = TypeVar("T")

FILE: Final = "kitwright.db"
"""Name of the database in the data folder."""
_PATIENCE: Final = 5.0
"""Seconds to wait for a lock that another process holds: a backup, a check-up."""
_CACHE_KIB: Final = 32 * 1024


class NewerSchema(StoreUnavailable):
    """A database that a newer version of the service has changed."""

    code = "newer-schema"

    def __init__(self, unknown: tuple[str, ...]) -> None:
        super().__init__(
            f"the data folder was written by a newer version (migrations {', '.join(unknown)}): "
            "run that one, or restore a backup"
        )
        self.unknown = unknown


class Tables:
    """All records, as `kitwright.keeping.store.Records` says."""

    def __init__(self, connection: Any) -> None:
        self.session = session = Session(connection)
        self.quotes = QuoteTables(session)
        self.people = PeopleTables(session)
        self.orders = OrderTables(session)
        self.photos = PhotoTables(session)
        self.keys = KeyTables(session)
        self.events = EventTables(session)
        self.answers = AnswerTables(session)


class SqliteStore:
    """Records in the SQLite database of a data folder.

    `write` and `read` belong to one thread, the event loop's. A store that was opened must be
    closed.
    """

    def __init__(self, file: Path) -> None:
        self.file = file
        self._reader: tuple[Any, Records] | None = None
        self._writer = Writer(lambda: connect(file), tables, empty_log)

    @classmethod
    def open(cls, folder: Path) -> SqliteStore:
        """Return the store of a data folder, made where it is missing, with the newest schema.

        A folder that can't be written to is opened all the same where there is a database of the
        newest schema: reading works, and writing may work later.

        Raises: StoreUnavailable, NewerSchema, StoreFull.
        """
        file = folder / FILE
        try:
            folder.mkdir(parents=True, exist_ok=True)
            database = Database(connect(file))
        except (OSError, sqlite3.Error) as error:
            raise StoreUnavailable(f"can't open {file}: {error}") from error
        try:
            migrate(database)
        except sqlite3.Error as error:
            raise translated(error) from error
        finally:
            database.conn.close()
        return cls(file)

    def close(self) -> None:
        """Finish what was asked for, and close."""
        self._writer.close()
        if self._reader is not None:
            self._reader[0].close()
            self._reader = None

    def read(self, work: Callable[[Records], T]) -> T:
        """Return what work on one consistent view of the records returns."""
        try:
            connection, records = self._reading()
            connection.execute("BEGIN")
            try:
                return work(records)
            finally:
                connection.execute("ROLLBACK")
        except sqlite3.Error as error:
            self._reader = None
            raise translated(error) from error

    def _reading(self) -> tuple[Any, Records]:
        if self._reader is None:
            connection = connect(self.file)
            connection.execute("PRAGMA query_only = ON")
            self._reader = connection, tables(connection)
        return self._reader

    async def write(self, work: Callable[[Records], T]) -> T:
        """Return what a piece of work returns, once it is kept."""
        future: asyncio.Future[T] = asyncio.get_running_loop().create_future()
        self._writer.submit(work, future)
        return await future

    def write_now(self, work: Callable[[Records], T]) -> T:
        """Return what a piece of work returns, once it is kept, to a caller without a loop."""
        return self._writer.submit_and_wait(work)


def connect(file: Path) -> Any:
    """Return a connection with what every connection needs. Raises: sqlite3.Error."""
    connection = sqlite3.connect(
        str(file), timeout=_PATIENCE, isolation_level=None, check_same_thread=False
    )
    try:
        # first: a file that is no database is told at once
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        # what is replaced or deleted is overwritten at once: nobody finds a page again, once it is
        # free, to wipe an erased customer's name off it
        connection.execute("PRAGMA secure_delete = ON")
        connection.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
        connection.execute("PRAGMA trusted_schema = OFF")
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def tables(connection: Any) -> Records:
    """Return the records of a connection."""
    return Tables(connection)


def empty_log(connection: Any, records: Records) -> None:
    """Empty the write-ahead log after something was erased: it holds every page as it was before.

    Where another process reads just then, the log is emptied by a later checkpoint.
    """
    session = getattr(records, "session", None)
    if isinstance(session, Session) and session.has_erased:
        session.has_erased = False
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def migrate(database: Database) -> None:
    """Bring a database to the newest schema. Raises: NewerSchema, sqlite3.Error."""
    known = {one.name for one in MIGRATIONS.pending(database)}
    done = [one.name for one in MIGRATIONS.applied(database)]
    unknown = tuple(name for name in done if name not in known | set(all_names()))
    if unknown:
        raise NewerSchema(unknown)
    if known:
        MIGRATIONS.apply(database)


def all_names() -> tuple[str, ...]:
    """Return the names of all steps that this version knows."""
    return tuple(one.name for one in MIGRATIONS.pending(Database(memory=True)))
