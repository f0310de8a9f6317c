"""Register: the price books of a data folder: a SQLite file with files and revisions, next to a
SQLite file for each book.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from msgspec import structs
from sqlite_utils import Database
from sqlite_utils.utils import sqlite3  # type: ignore[attr-defined]

from kitwright.catalogue.model import SupplierId
from kitwright.prices.book import Book
from kitwright.prices.books import (
    BookDamaged,
    FileNotReady,
    Found,
    InForce,
    NoEarlierPrices,
    PricesChanged,
    UnknownFile,
)
from kitwright.prices.reading import Read
from kitwright.prices.record import (
    FileNumber,
    FileState,
    PriceFile,
    PriceRevision,
    RevisionNumber,
    RowError,
)
from kitwright.prices.search import HOW, find_in

FOLDER: Final = "prices"
"""The folder of the price books in a data folder."""
FILE: Final = "prices.db"
_PART: Final = ".part"
"""The end of the name of a file that arrives."""
_PATIENCE: Final = 5.0
_KEPT: Final = 3
"""How many revisions before the one in force keep their books, to go back to."""
_FORMAT: Final = 1
_FILES: Final = "number, supplier, name, state, at, by, rows, errors, sha256, against, difference"
_REVISIONS: Final = "number, before, supplier, file, sha256, at, by"


class SqlitePriceBooks:
    """The price books of a data folder; see `kitwright.prices.books.PriceBooks`.

    Every change is one transaction of the register, so that it happens completely or not at all. A
    book is on the disk before the register names it. It may be used by one thread at a time.
    """

    def __init__(self, data: Path) -> None:
        self._folder = data / FOLDER
        self._register: Any = None
        self._books: dict[FileNumber, Book] = {}

    def close(self) -> None:
        """Close everything that is open."""
        for book in self._books.values():
            book.close()
        self._books.clear()
        if self._register is not None:
            self._register.close()
            self._register = None

    def _connection(self) -> Any:
        if self._register is None:
            self._folder.mkdir(parents=True, exist_ok=True)
            self._register = connection = sqlite3.connect(
                str(self._folder / FILE),
                timeout=_PATIENCE,
                isolation_level=None,
                check_same_thread=False,
            )
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("PRAGMA foreign_keys = ON")
            if connection.execute("PRAGMA user_version").fetchone()[0] < _FORMAT:
                with _transaction(connection):
                    _create_tables(connection)
        return self._register

    @property
    def _is_empty(self) -> bool:
        """Whether there is no register yet: reading does not create one."""
        return self._register is None and not (self._folder / FILE).is_file()

    def add_file(self, supplier: SupplierId, name: str, at: datetime, by: str) -> PriceFile:
        """Add a file that is to be read, and return it."""
        connection = self._connection()
        with _transaction(connection):
            number = connection.execute(
                "INSERT INTO files (supplier, name, state, at, by, rows, errors)"
                " VALUES (?, ?, ?, ?, ?, 0, 0)",
                (supplier, name, FileState.received.value, at.isoformat(), by),
            ).lastrowid
        return self.file(FileNumber(number))

    def draft(self, number: FileNumber) -> Path:
        """Return where the book of a file is built; what an earlier attempt left is deleted."""
        for left in self._folder.glob(f".{number}.*.building*"):
            if not _is_building(left):
                left.unlink(missing_ok=True)
        return self._folder / f".{number}.{os.getpid()}.building"

    def source(self, number: FileNumber) -> Path:
        """Return where a received file is, until it is read."""
        return self._folder / f"{number}.received"

    def arriving(self, number: FileNumber) -> Path:
        """Return where a file is while it arrives."""
        return self._folder / f"{number}{_PART}"

    def drop_broken_off(self, before: datetime) -> None:
        """Delete what processes that broke off left; see `PriceBooks.drop_broken_off`."""
        built = {path for path in self._folder.glob(".*.building*") if _is_building(path)}
        for left in {*self._folder.glob(".*.building*")} - built:
            left.unlink(missing_ok=True)
        numbers = {path.name.split(".")[1] for path in built}
        for file in self.received():
            did_arrive = not self.arriving(file.number).exists()
            is_there = self.source(file.number).is_file() or str(file.number) in numbers
            # whoever reads a file that did not arrive here may just have added it
            if not (did_arrive and (is_there or file.at >= before)):
                self.forget(file.number)
        for part in self._folder.glob(f"*{_PART}"):
            part.unlink(missing_ok=True)

    def book(self, number: FileNumber) -> Path:
        """Return where the complete book of a file is."""
        return self._folder / f"{number}.db"

    def keep(
        self,
        number: FileNumber,
        built: Path,
        read: Read,
        *,
        against: FileNumber | None = None,
        difference: str | None = None,
    ) -> PriceFile:
        """Keep the book that was built of a file, and return the file; see `PriceBooks.keep`."""
        file = self.file(number)
        built.replace(self.book(number))
        _sync(self._folder)
        state = FileState.refused if read.errors else FileState.read
        connection = self._connection()
        with _transaction(connection):
            connection.execute(
                "UPDATE files SET state = ?, rows = ?, errors = ?, sha256 = ?, against = ?,"
                " difference = ? WHERE number = ?",
                (
                    state.value,
                    read.rows,
                    read.errors,
                    read.sha256,
                    against,
                    difference,
                    number,
                ),
            )
            if state is FileState.read:
                connection.execute(
                    "UPDATE files SET state = ? WHERE supplier = ? AND number < ? AND state = ?",
                    (FileState.replaced.value, file.supplier, number, FileState.read.value),
                )
        self.source(number).unlink(missing_ok=True)
        self._drop_unused()
        return self.file(number)

    def file(self, number: FileNumber) -> PriceFile:
        """Return a file. Raises: UnknownFile."""
        found = self._files("WHERE number = ?", (number,))
        if not found:
            raise UnknownFile(number)
        return found[0]

    def files(self, after: FileNumber | None, most: int) -> tuple[PriceFile, ...]:
        """Return files, the newest first, those before a file."""
        rest = "WHERE number < ? ORDER BY number DESC LIMIT ?"
        return self._files(rest, (sys.maxsize if after is None else after, most))

    def received(self) -> tuple[PriceFile, ...]:
        """Return the files that are still to be read, the oldest first."""
        return self._files("WHERE state = ? ORDER BY number", (FileState.received.value,))

    def forget(self, number: FileNumber) -> None:
        """Delete a file that did not arrive completely."""
        connection = self._connection()
        with _transaction(connection):
            connection.execute(
                "DELETE FROM files WHERE number = ? AND state = ?",
                (number, FileState.received.value),
            )

    def _files(self, rest: str, values: tuple[object, ...]) -> tuple[PriceFile, ...]:
        if self._is_empty:
            return ()
        rows = self._connection().execute(f"SELECT {_FILES} FROM files {rest}", values)
        return tuple(_file(row) for row in rows)

    def errors(self, number: FileNumber, after: int, most: int) -> tuple[tuple[int, RowError], ...]:
        """Return the errors of a file with their positions, those after a position.

        Raises: UnknownFile.
        """
        if self.file(number).errors == 0 or not self.book(number).is_file():
            return ()
        return self._open(number).errors(after, most)

    def apply(self, number: FileNumber, at: datetime, by: str) -> PriceRevision:
        """Put a file's prices in force, and return the new revision.

        Raises: UnknownFile, FileNotReady, PricesChanged, BookDamaged.
        """
        file = self.file(number)
        if file.state is not FileState.read or file.sha256 is None:
            raise FileNotReady(file)
        self.check(number, file.sha256)
        connection = self._connection()
        with _transaction(connection):
            file = self.file(number)
            if file.state is not FileState.read:
                raise FileNotReady(file)
            now = self.in_force()
            before = now.by_supplier.get(file.supplier)
            if (None if before is None else before.file) != file.against:
                raise PricesChanged(file)
            revision = connection.execute(
                "INSERT INTO revisions (before, supplier, file, sha256, at, by)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                (now.revision, file.supplier, number, file.sha256, at.isoformat(), by),
            ).lastrowid
            connection.execute("UPDATE in_force SET revision = ?", (revision,))
            connection.execute(
                "UPDATE files SET state = ? WHERE number = ?", (FileState.applied.value, number)
            )
        self._drop_unused()
        return self._revision(RevisionNumber(revision))

    def back(self, revision: RevisionNumber | None = None) -> InForce:
        """Put the prices before a revision in force, and return them; see `PriceBooks.back`.

        Raises: NoEarlierPrices, BookDamaged.
        """
        now = self.in_force()
        revision = now.revision if revision is None else revision
        if revision is None:
            raise NoEarlierPrices("no price file has been applied, so there is nothing to undo")
        known = next((each for each in self.revisions() if each.number == revision), None)
        if known is not None and known.before == now.revision:
            return now
        if known is None or now.revision != revision:
            raise NoEarlierPrices(f"price revision {revision} is not in force")
        for each in self._at(known.before).by_supplier.values():
            if not self.book(each.file).is_file():
                raise NoEarlierPrices("the prices before these are no longer kept")
            self.check(each.file, each.sha256)
        connection = self._connection()
        with _transaction(connection):
            if self.in_force().revision != revision:
                raise NoEarlierPrices("the prices have just been changed by another call")
            connection.execute("UPDATE in_force SET revision = ?", (known.before,))
        return self.in_force()

    def in_force(self) -> InForce:
        """Return the prices that apply."""
        if self._is_empty:
            return InForce(revision=None, by_supplier={})
        (revision,) = self._connection().execute("SELECT revision FROM in_force").fetchone()
        return self._at(revision)

    def _at(self, revision: RevisionNumber | None) -> InForce:
        """Return the prices as of a revision."""
        found: dict[SupplierId, PriceRevision] = {}
        chain = [] if revision is None else list(self._chain(revision))
        for each in chain:
            found.setdefault(each.supplier, each)
        ordered = sorted(found.values(), key=lambda each: each.number)
        return InForce(revision=revision, by_supplier={each.supplier: each for each in ordered})

    def _chain(self, revision: RevisionNumber) -> Iterator[PriceRevision]:
        """Yield a revision and those before it, newest first."""
        rows = self._connection().execute(
            "WITH RECURSIVE chain(n) AS (VALUES (?) UNION ALL SELECT before FROM revisions"
            f" JOIN chain ON number = n WHERE before IS NOT NULL) SELECT {_REVISIONS}"
            " FROM revisions JOIN chain ON number = n ORDER BY number DESC",
            (revision,),
        )
        return map(_revision, rows)

    def _revision(self, number: RevisionNumber) -> PriceRevision:
        (row,) = self._connection().execute(
            f"SELECT {_REVISIONS} FROM revisions WHERE number = ?", (number,)
        )
        return _revision(row)

    def revisions(self) -> tuple[PriceRevision, ...]:
        """Return all revisions, the newest first."""
        if self._is_empty:
            return ()
        rows = self._connection().execute(
            f"SELECT {_REVISIONS} FROM revisions ORDER BY number DESC"
        )
        return tuple(map(_revision, rows))

    def find(self, text: str, most: int) -> tuple[Found, ...]:
        """Return entries in force that a text finds: numbers first, however they are typed, then
        numbers that begin so, then words.
        """
        found: list[Found] = []
        for supplier, revision in self.in_force().by_supplier.items():
            book = self._open(revision.file)
            for how, entry in find_in(book, text, most):
                after = book.successor(entry)
                found.append(
                    Found(
                        supplier=supplier,
                        entry=entry,
                        by=how,
                        successor=None if after is entry else after,
                    )
                )
        best = min((HOW.index(each.by) for each in found), default=0)
        # if a supplier has exactly this number, what others have that only looks like it is left
        exact = [each for each in found if best > 1 or HOW.index(each.by) <= 1]
        return tuple(sorted(exact, key=lambda each: HOW.index(each.by))[:most])

    def opened(self, number: FileNumber) -> Book:
        """Return the open book of a file, which stays open until `close`. Raises: BookDamaged."""
        return self._open(number)

    def _open(self, number: FileNumber) -> Book:
        if number not in self._books:
            try:
                self._books[number] = Book(self.book(number))
            except sqlite3.Error as error:
                raise BookDamaged(number, f"can't be opened ({error}): restore a backup") from error
        return self._books[number]

    def check(self, number: FileNumber, sha256: str) -> None:
        """Raise if a book is not as it was built. Raises: BookDamaged."""
        try:
            with self.book(number).open("rb") as opened:
                is_same = hashlib.file_digest(opened, "sha256").hexdigest() == sha256
        except FileNotFoundError:
            raise BookDamaged(number, "is missing: read the price file again") from None
        if not is_same:
            raise BookDamaged(number, "has changed: restore a backup")

    def needed(self, back: int = _KEPT) -> dict[FileNumber, str]:
        """Return the books in force now or after going back some times, with their checksums."""
        now = self.in_force()
        needed: dict[FileNumber, str] = {}
        at = now.revision
        for _ in range(back + 1):
            state = self._at(at)
            needed |= {each.file: each.sha256 for each in state.by_supplier.values()}
            if at is None:
                break
            at = self._revision(at).before
        return needed

    def copy_to(self, target: Path) -> dict[FileNumber, str]:
        """Copy the register to a new file, for a backup; return the books that belong to it: those
        in force, and those to go back to once.

        Raises: the database's errors.
        """
        while True:
            needed = self.needed(back=1)
            self._connection().execute("VACUUM INTO ?", (str(target),))
            if self.needed(back=1) == needed:
                return needed
            target.unlink()

    def leave_out(self, numbers: int) -> None:
        """Leave out numbers of files and revisions, because they may have been given after a
        backup. Does nothing if there are no price books.
        """
        if self._is_empty:
            return
        connection = self._connection()
        with _transaction(connection):
            for table in ("files", "revisions"):
                changed = connection.execute(
                    "UPDATE sqlite_sequence SET seq = seq + ? WHERE name = ?", (numbers, table)
                )
                if not changed.rowcount:
                    connection.execute(
                        "INSERT INTO sqlite_sequence (name, seq) VALUES (?, ?)", (table, numbers)
                    )

    def has_register(self) -> bool:
        """Return whether there are price books."""
        return not self._is_empty

    def _drop_unused(self) -> None:
        """Delete books that can no longer be in force: of older revisions, and of older files. That
        of a refused file holds its errors only, and is kept.
        """
        wanted = set(self.needed())
        newest: dict[SupplierId, FileNumber] = {}
        for file in self._files("ORDER BY number DESC", ()):
            if file.state is FileState.refused:
                wanted.add(file.number)
            elif file.state is FileState.read:
                newest.setdefault(file.supplier, file.number)
        wanted.update(newest.values())
        for path in self._folder.glob("*.db"):
            if path.name == FILE or FileNumber(int(path.stem)) in wanted:
                continue
            open_book = self._books.pop(FileNumber(int(path.stem)), None)
            if open_book is not None:
                open_book.close()
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)


def _create_tables(connection: Any) -> None:
    if connection.execute("PRAGMA user_version").fetchone()[0] >= _FORMAT:
        # another process was faster
        return
    connection.execute(
        "CREATE TABLE files (number INTEGER PRIMARY KEY AUTOINCREMENT, supplier TEXT NOT NULL,"
        " name TEXT NOT NULL, state TEXT NOT NULL, at TEXT NOT NULL, by TEXT NOT NULL,"
        " rows INTEGER NOT NULL, errors INTEGER NOT NULL, sha256 TEXT, against INTEGER,"
        " difference TEXT) STRICT"
    )
    connection.execute(
        "CREATE TABLE revisions (number INTEGER PRIMARY KEY AUTOINCREMENT,"
        " before INTEGER REFERENCES revisions, supplier TEXT NOT NULL,"
        " file INTEGER NOT NULL REFERENCES files, sha256 TEXT NOT NULL, at TEXT NOT NULL,"
        " by TEXT NOT NULL) STRICT"
    )
    connection.execute("CREATE TABLE in_force (revision INTEGER REFERENCES revisions) STRICT")
    Database(connection).table("in_force").insert({"revision": None})
    connection.execute(f"PRAGMA user_version = {_FORMAT}")


@contextlib.contextmanager
def _transaction(connection: Any) -> Iterator[None]:
    """Run a transaction that writes, completely or not at all."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _file(row: Any) -> PriceFile:
    found = PriceFile(**dict(zip(_FILES.split(", "), row, strict=True)))
    return structs.replace(
        found, state=FileState(found.state), at=datetime.fromisoformat(str(found.at))
    )


def _revision(row: Any) -> PriceRevision:
    found = PriceRevision(**dict(zip(_REVISIONS.split(", "), row, strict=True)))
    return structs.replace(found, at=datetime.fromisoformat(str(found.at)))


def _is_building(path: Path) -> bool:
    """Return whether the process that builds a book still runs."""
    number = path.name.split(".")[2]
    if sys.platform == "win32" or not number.isdecimal():
        return False
    try:
        os.kill(int(number), 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def _sync(folder: Path) -> None:
    """Put the names of a folder on the disk, if the system can."""
    if os.name != "posix":
        return
    opened = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)
