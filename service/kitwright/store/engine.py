"""Engine: the store of a data folder, with one writer thread and readers in the caller's thread.

It uses SQLite with a write-ahead log, full synchronisation and foreign keys on. If `pysqlite3` is
installed, sqlite-utils uses it instead of the system's SQLite.
"""

from __future__ import annotations

import asyncio
import contextlib
import tempfile
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, TypeVar

from sqlite_utils import Database

from kitwright.errors import reason_of
from kitwright.keeping.store import Records, StoreFull, StoreUnavailable
from kitwright.store.aftercare import ClaimTable, ComeBackTable, NoticeTable
from kitwright.store.bills import BillTable, HandoverTable, PaymentTable, StatementTable
from kitwright.store.catalogues import CatalogueTable
from kitwright.store.clock import ClockTable
from kitwright.store.closings import LedgerFile
from kitwright.store.erasures import DisposalTable, ErasureTable, RetentionTable
from kitwright.store.estimates import EstimateTable
from kitwright.store.events import EventTable, HookTable
from kitwright.store.failure import is_outer, translated
from kitwright.store.files import NEW, make_folders, make_private, sync_folder
from kitwright.store.generations import GenerationTable
from kitwright.store.keys import AnswerTable, KeyTable, TrialTable
from kitwright.store.mails import MailTable
from kitwright.store.orders import (
    AllocationTable,
    OrderEntryTable,
    OrderTable,
    PhotoTable,
)
from kitwright.store.people import CustomerTable, MachineTable
from kitwright.store.quotes import AdditionTable, QuoteTable, RevisionTable, authorisations
from kitwright.store.rows import Damage, Session
from kitwright.store.schema import BEFORE_RELEASE, MIGRATIONS
from kitwright.store.scrub import damaged_rows, structural
from kitwright.store.shelf import ShelfTable
from kitwright.store.sqlite import sqlite3
from kitwright.store.tickets import TicketTable
from kitwright.store.writer import Writer

T = TypeVar("T")

FILE: Final = "kitwright.db"
"""File name of the database in the data folder."""
_PATIENCE: Final = 5.0
"""Seconds to wait for a lock that another process holds: a backup or a check."""
_CACHE_KIB: Final = 32 * 1024
PROVED_AT_START: Final = 256 * 1024 * 1024
"""Bytes up to which a database is proven completely before it is used. Of a larger one each row is
proven when it is read, and the rest by `kitwright doctor`.
"""


class OtherSchema(StoreUnavailable):
    """A database that this version can't read."""

    code = "other-schema"


class OlderSchema(OtherSchema):
    """A database that was created before the first release."""

    code = "older-schema"

    def __init__(self) -> None:
        super().__init__(
            "the data folder was made by a version before the first release, whose quotes can't "
            "be read: nothing in it was changed; keep it, and start with an empty folder"
        )


class NewerSchema(OtherSchema):
    """A database that a newer version of the service has changed."""

    code = "newer-schema"

    def __init__(self, unknown: tuple[str, ...]) -> None:
        super().__init__(
            f"the data folder was written by a newer version (migrations {', '.join(unknown)}): "
            "use that version, or restore a backup"
        )
        self.unknown = unknown


class NotOurs(OtherSchema):
    """A file in the database's place that is not a database of this service, or is empty."""

    code = "not-ours"

    def __init__(self, file: Path, what: str) -> None:
        super().__init__(
            f"{file} {what}: nothing was changed; restore a backup into another folder, or, if no "
            "shop was ever stored here, delete the file"
        )
        self.file = file


class StoreDamaged(StoreUnavailable):
    """A database whose structure is damaged, so that records may be missing from any answer."""

    code = "storage-damaged"

    def __init__(self, file: Path, reason: str) -> None:
        super().__init__(
            f"{file} is damaged ({reason}): run `kitwright doctor`; `kitwright doctor --repair` "
            "mends indexes, everything else needs a backup"
        )
        self.file = file
        self.reason = reason


class SqliteStore:
    """Records in the SQLite database of a data folder.

    `write` and `read` may be called only from one thread, that of the event loop. A store that was
    opened must be closed.
    """

    def __init__(self, file: Path, damage: Damage | None = None) -> None:
        self.file = file
        self.damage = damage or Damage()
        """The damaged records found so far."""
        self._reader: tuple[Any, Records] | None = None
        self._is_frozen = False
        """Whether the reader can't see later changes, so that it can be used only once."""
        self._ledger = LedgerFile(file.parent)
        self._is_to_mark = False
        """Whether the ledger is to be written again with the present time."""
        self._writer = Writer(
            lambda: Session(connect(file), self.damage),
            tables,
            lambda error: translated(error, file),
            self._tidy,
        )

    @classmethod
    def open(cls, folder: Path) -> SqliteStore:
        """Return the store of a data folder, created if it is missing, with the newest schema.

        A folder that is not writable is opened if it has a database of the newest schema. Reading
        then works, and writing may work later. A damaged record is reported and never used.

        Raises: StoreUnavailable, OtherSchema, StoreDamaged, StoreFull.
        """
        file = folder / FILE
        try:
            make_folders(folder)
            _check_untouched(file)
            if not file.exists():
                _make(file)
            with contextlib.closing(connect(file)) as connection:
                migrate(connection)
                ledger = LedgerFile(folder)
                ledger.catch_up(connection, datetime.now(UTC), is_at_start=True)
        except (OSError, sqlite3.Error) as error:
            failure = _failed_to_open(file, error)
            if isinstance(failure, StoreFull) or not _is_readable(file):
                raise failure from error
        return cls(file, prove(file))

    def _tidy(self, session: Session) -> None:
        """Do what remains after a commit: bring the ledger up to date, then empty the log."""
        if session.has_closed or self._ledger.is_behind:
            session.has_closed = self._is_to_mark = False
            self._ledger.catch_up(session.connection, datetime.now(UTC))
        elif self._is_to_mark:
            self._is_to_mark = False
            self._ledger.mark(session.connection, datetime.now(UTC))
        empty_log(session)

    def mark(self) -> None:
        """Write the ledger of erasures and revocations again, with the present time. It is then
        newer than every backup made before, also if nothing was added to it.
        """
        self._is_to_mark = True
        self._writer.submit(lambda _: None)

    def close(self) -> None:
        """Finish the waiting transactions, then close."""
        self._writer.close()
        self._stop_reading()

    @property
    def wait(self) -> float:
        """The longest time that a transaction waited for its result lately, in seconds."""
        return self._writer.waits.value

    @property
    def waiting(self) -> int:
        """The number of transactions that wait for the writer."""
        return self._writer.waiting

    def size(self) -> int:
        """Return the bytes that the database takes on disk, with its log. Raises: OSError."""
        log = self.file.with_name(f"{self.file.name}-wal")
        return sum(each.stat().st_size for each in (self.file, log) if each.exists())

    def read(self, work: Callable[[Records], T]) -> T:
        """Return the result of work on one consistent view of the records."""
        try:
            connection, records = self._reading()
            connection.execute("BEGIN")
            try:
                return work(records)
            finally:
                connection.execute("ROLLBACK")
        except sqlite3.Error as error:
            self._stop_reading()
            if is_outer(error):
                raise translated(error, self.file) from error
            raise

    def _reading(self) -> tuple[Any, Records]:
        if self._is_frozen:
            self._stop_reading()
        if self._reader is None:
            connection, self._is_frozen = connect_to_read(self.file)
            self._reader = connection, tables(Session(connection, self.damage))
        return self._reader

    def _stop_reading(self) -> None:
        if self._reader is not None:
            reader, self._reader, self._is_frozen = self._reader, None, False
            reader[0].close()

    async def write(self, work: Callable[[Records], T]) -> T:
        """Return the result of a transaction once it is stored."""
        return await asyncio.wrap_future(self._writer.submit(work))

    def write_now(self, work: Callable[[Records], T]) -> T:
        """Return the result of a transaction once it is stored, for a caller without an event
        loop.
        """
        return self._writer.submit(work).result()


def connect(file: Path) -> Any:
    """Return a connection with the settings that every connection needs. Raises: sqlite3.Error."""
    connection = _open(file, "mode=rw")
    try:
        # first: a file that is not a database is reported at once
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        # replaced or deleted data is overwritten at once: a free page can't be found again later to
        # remove an erased customer's name from it
        connection.execute("PRAGMA secure_delete = ON")
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def connect_to_read(file: Path) -> tuple[Any, bool]:
    """Return a read-only connection, and whether it is frozen: it can't see later changes.

    Readers of a write-ahead log need to write files next to it. If they can't, and no log with
    changes of its own is left, the database is read as an immutable file.

    Raises: sqlite3.Error.
    """
    connection = None
    try:
        connection = _open(file, "mode=rw")
        connection.execute("PRAGMA query_only = ON")
        connection.execute("SELECT 1 FROM sqlite_schema").fetchone()
    except sqlite3.Error:
        if connection is not None:
            connection.close()
        if not _is_settled(file):
            raise
        return _open(file, "mode=ro&immutable=1"), True
    return connection, False


def _is_settled(file: Path) -> bool:
    """Return whether a database exists and its log holds no changes that are not yet in it."""
    log = file.with_name(f"{file.name}-wal")
    try:
        return file.is_file() and not (log.exists() and log.stat().st_size)
    except OSError:
        return False


def _open(file: Path, how: str) -> Any:
    connection = sqlite3.connect(
        f"{file.absolute().as_uri()}?{how}",
        uri=True,
        timeout=_PATIENCE,
        isolation_level=None,
        check_same_thread=False,
    )
    try:
        connection.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
        connection.execute("PRAGMA trusted_schema = OFF")
    except sqlite3.Error:
        connection.close()
        raise
    except UnicodeDecodeError as error:
        # raised for the message about a table's definition that is not text any more
        connection.close()
        raise sqlite3.DatabaseError("malformed database schema") from error
    return connection


def _failed_to_open(file: Path, error: Exception) -> StoreUnavailable | StoreFull:
    if isinstance(error, sqlite3.Error) and isinstance(full := translated(error, file), StoreFull):
        return full
    reason = reason_of(error) if isinstance(error, OSError) else error
    return StoreUnavailable(f"can't open {file}: {reason}")


def _is_readable(file: Path) -> bool:
    """Return whether a database has the newest schema and can be read. Raises: NewerSchema."""
    try:
        connection, _ = connect_to_read(file)
        with contextlib.closing(connection):
            return not pending(connection)
    except (OSError, sqlite3.Error):
        return False


def tables(session: Session) -> Records:
    """Return the records of a connection."""
    hooks = HookTable(session)
    return Records(
        quotes=QuoteTable(session),
        revisions=RevisionTable(session),
        authorisations=authorisations(session),
        additions=AdditionTable(session),
        statements=StatementTable(session),
        payments=PaymentTable(session),
        handovers=HandoverTable(session),
        bills=BillTable(session),
        clock_entries=ClockTable(session),
        come_backs=ComeBackTable(session),
        claims=ClaimTable(session),
        notices=NoticeTable(session),
        estimates=EstimateTable(session),
        catalogues=CatalogueTable(session),
        customers=CustomerTable(session),
        machines=MachineTable(session),
        tickets=TicketTable(session),
        orders=OrderTable(session),
        allocations=AllocationTable(session),
        order_entries=OrderEntryTable(session),
        photos=PhotoTable(session),
        keys=KeyTable(session),
        events=EventTable(session, hooks),
        hooks=hooks,
        mails=MailTable(session),
        answers=AnswerTable(session),
        generations=GenerationTable(session),
        trial=TrialTable(session),
        erasures=ErasureTable(session),
        retentions=RetentionTable(session),
        disposals=DisposalTable(session),
        shelf=ShelfTable(session),
    )


def empty_log(session: Session) -> None:
    """Empty the write-ahead log after something was erased: it holds every page as it was before.

    If another process is reading at that time, a later checkpoint empties the log.
    """
    if session.has_erased:
        session.has_erased = False
        session.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def _check_untouched(file: Path) -> None:
    """Raise if a database has another schema or is not ours, without taking any lock.

    Raises: OtherSchema.
    """
    log = file.with_name(f"{file.name}-wal")
    if not file.is_file():
        if log.exists() and log.stat().st_size:
            raise NotOurs(log, "is the log of a database that is missing")
        return
    if not file.stat().st_size:
        raise NotOurs(file, "is empty")
    # changes that only its log holds are not seen here; the migration checks again
    with contextlib.closing(_open(file, "mode=ro&immutable=1")) as connection:
        done = check_known(connection)
    if not done and log.exists():
        connection, _ = connect_to_read(file)
        with contextlib.closing(connection):
            done = check_known(connection)
    if not done:
        raise NotOurs(file, "is not a database of this service")


def _make(file: Path) -> None:
    """Make a database with its tables: it is complete or absent, whenever this is broken off.

    Raises: OSError, sqlite3.Error.
    """
    with tempfile.TemporaryDirectory(prefix=NEW, dir=file.parent) as place:
        made = Path(place) / FILE
        # its log gets the same mode
        make_private(made)
        with contextlib.closing(connect(made)) as connection:
            migrate(connection)
        try:
            # unlike renaming, a link never replaces an existing file
            file.hardlink_to(made)
        except FileExistsError:
            # another process was faster
            return
        except OSError:
            # a file system without links
            made.replace(file)
    sync_folder(file.parent)


def prove(file: Path) -> Damage:
    """Return the damaged records of a database, which were reported. A large one is not read.

    Raises: StoreDamaged, StoreUnavailable.
    """
    damage = Damage()
    try:
        if file.stat().st_size > PROVED_AT_START:
            return damage
        connection, _ = connect_to_read(file)
        with contextlib.closing(connection):
            # one view: another process may be writing
            connection.execute("BEGIN")
            for reason in structural(connection):
                raise StoreDamaged(file, reason)
            for error in damaged_rows(connection):
                damage.add(error)
    except (OSError, sqlite3.Error) as error:
        raise StoreDamaged(file, str(error)) from error
    return damage


def migrate(connection: Any) -> None:
    """Bring a database to the newest schema, completely or not at all.

    Raises: OtherSchema, sqlite3.Error.
    """
    if not pending(connection):
        return
    # immediate: if two processes open a new folder at the same time, one waits
    connection.execute("BEGIN IMMEDIATE")
    try:
        MIGRATIONS.apply(Database(connection))
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def pending(connection: Any) -> tuple[str, ...]:
    """Return the names of the steps still to be applied to a database. Raises: OtherSchema,
    sqlite3.Error.
    """
    done = check_known(connection)
    return tuple(name for name in all_names() if name not in done)


def check_known(connection: Any) -> tuple[str, ...]:
    """Return the names of the steps already applied to a database.

    Raises: OtherSchema, sqlite3.Error.
    """
    done = tuple(one.name for one in MIGRATIONS.applied(Database(connection)))
    check_names(done)
    return done


def check_names(names: Iterable[str]) -> None:
    """Raise if this version does not know all of the given steps. Raises: OtherSchema."""
    known = all_names()
    unknown = tuple(name for name in names if name not in known)
    if BEFORE_RELEASE.intersection(unknown):
        raise OlderSchema
    if unknown:
        raise NewerSchema(unknown)


def all_names() -> tuple[str, ...]:
    """Return the names of all steps that this version knows, in order."""
    with contextlib.closing(sqlite3.connect(":memory:")) as empty:
        return tuple(one.name for one in MIGRATIONS.pending(Database(empty)))
