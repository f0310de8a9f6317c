"""Closings: a small ledger of erasures and revocations, beside the database of a data folder.

A restored database is older than the folder that was lost. The ledger says which customers were
erased and which keys and links were revoked, so that a restore can close them again. It holds ids
and times only. It is written whole after each such change, before the change is acknowledged.
"""

from __future__ import annotations

import contextlib
import hashlib
import tarfile
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import msgspec

from kitwright.keeping.closing import Closing, Ledger
from kitwright.keeping.store import RecordDamaged, StoreError
from kitwright.store.files import write_whole
from kitwright.store.rows import Session, read_moment
from kitwright.store.seal import is_sound

LEDGER: Final = "closings.json"
"""File name of the ledger in a data folder and in a backup."""
MANIFEST: Final = "manifest.json"
"""Name of the list of all other files in a backup."""


class LedgerUnreadable(StoreError):
    """A file that is not a ledger, or a damaged one."""

    code = "ledger-unreadable"

    def __init__(self, file: Path, reason: str) -> None:
        super().__init__(f"{file} is not a ledger of erasures and revocations: {reason}")
        self.file = file


class LedgerOfAnother(StoreError):
    """The ledger of another data folder."""

    code = "ledger-of-another"

    def __init__(self, file: Path) -> None:
        super().__init__(f"{file} belongs to another data folder than the backup")
        self.file = file


def encode_ledger(ledger: Ledger) -> bytes:
    """Return a ledger as JSON."""
    return msgspec.json.format(msgspec.json.encode(ledger), indent=1) + b"\n"


def decode_ledger(text: bytes, file: Path) -> Ledger:
    """Return the ledger in a text, which was read from a file. Raises: LedgerUnreadable."""
    try:
        return msgspec.json.decode(text, type=Ledger)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise LedgerUnreadable(file, str(error)) from error


def read_closings(connection: Any, now: datetime) -> Ledger:
    """Return the ledger of everything that a database says was erased or revoked.

    It is complete up to now; in a restored folder, until the owner has confirmed it, only up to the
    time that was known at the restore. Damaged rows say nothing.

    Raises: RecordDamaged, if it can't be told whose ledger it is; sqlite3.Error.
    """
    closings = [
        *_keys(connection),
        *_customers(connection),
        *_parts(connection),
        *_links(connection),
    ]
    begun = _begun(connection, now)
    return begun.with_more(closings, begun.as_of)


def _begun(connection: Any, now: datetime) -> Ledger:
    """Return a folder's ledger without closings. Raises: RecordDamaged, sqlite3.Error."""
    sound = {row["number"]: row for row in _sound(connection, "generations", "1")}
    last = connection.execute("SELECT max(number) FROM generations").fetchone()[0]
    if 1 not in sound or last not in sound:
        raise RecordDamaged("generations", ())
    known_until = read_moment(sound[last]["known_until"])
    is_known = sound[last]["is_confirmed"] or known_until is None
    return Ledger(folder=sound[1]["epoch"], as_of=now if is_known else known_until or now)


def _keys(connection: Any) -> Iterator[Closing]:
    for row in _sound(connection, "keys", "revoked_at IS NOT NULL"):
        yield Closing(kind="key", id=row["id"], at=datetime.fromisoformat(row["revoked_at"]))


def _customers(connection: Any) -> Iterator[Closing]:
    for row in _sound(connection, "customers", "erased_at IS NOT NULL"):
        at = datetime.fromisoformat(row["erased_at"])
        yield Closing(kind="customer", id=str(row["number"]), at=at)


def _parts(connection: Any) -> Iterator[Closing]:
    """Yield the erasures in part, each with the quotes that stay."""
    of_customer: dict[int, list[dict[str, Any]]] = {}
    rows = Session(connection).whole_rows(
        "SELECT * FROM retentions WHERE why <> 'invoices' ORDER BY number"
    )
    for row in rows:
        of_customer.setdefault(row["customer"], []).append(row)
    for number, kept in of_customer.items():
        # a damaged row could name another quote, and what it kept would be erased
        if all(is_sound("retentions", row) for row in kept):
            at = max(row["at"] for row in kept)
            quotes = "+".join(str(quote) for quote in sorted({row["quote"] for row in kept}))
            moment = datetime.fromisoformat(at)
            yield Closing(kind="part", id=f"{number}.{quotes}.{at}", at=moment)


def _links(connection: Any) -> Iterator[Closing]:
    for row in _sound(connection, "events", "kind = 'link.revoked'"):
        quote = row["subject"].removeprefix("quote:")
        times = msgspec.json.decode(row["facts"])["round"]
        yield Closing(kind="links", id=f"{quote}.{times}", at=datetime.fromisoformat(row["at"]))


def _sound(connection: Any, table: str, condition: str) -> Iterator[dict[str, Any]]:
    """Yield the rows of a table that meet a condition and are as they were sealed."""
    for row in Session(connection).whole_rows(f"SELECT * FROM {table} WHERE {condition}"):
        if is_sound(table, row):
            yield row


def read_ledger(file: Path) -> Ledger:
    """Return the ledger in a file: one from a data folder, or one in a backup.

    Raises: LedgerUnreadable, OSError.
    """
    if not tarfile.is_tarfile(file):
        return decode_ledger(file.read_bytes(), file)
    try:
        with tarfile.open(file, mode="r:") as tar:
            texts = {name: tar.extractfile(name) for name in (LEDGER, MANIFEST)}
            text, told = (b"" if one is None else one.read() for one in texts.values())
        wanted = msgspec.json.decode(told)["sha256"][LEDGER]
    except (tarfile.TarError, EOFError, KeyError, TypeError, msgspec.DecodeError) as error:
        raise LedgerUnreadable(file, f"a backup without one: {error}") from error
    if hashlib.sha256(text).hexdigest() != wanted:
        raise LedgerUnreadable(file, "it has changed since the backup was made")
    return decode_ledger(text, file)


class LedgerFile:
    """The ledger of a data folder. It is for one thread at a time.

    Args:
        folder: the data folder.
    """

    def __init__(self, folder: Path) -> None:
        self.file = folder / LEDGER
        self._ledger: Ledger | None = None
        self.is_behind = False
        """Whether the last attempt to write failed, so that the next commit has to try again."""

    def read(self) -> Ledger | None:
        """Return the ledger, None if there is no file. Raises: LedgerUnreadable, OSError."""
        try:
            return decode_ledger(self.file.read_bytes(), self.file)
        except FileNotFoundError:
            return None

    def mark(self, connection: Any, now: datetime) -> None:
        """Write the ledger again with the present time, because nothing was closed since.

        Raises: sqlite3.Error.
        """
        if self._ledger is None:
            self.catch_up(connection, now)
            return
        with contextlib.suppress(RecordDamaged):
            self._write(self._ledger.with_more((), _begun(connection, now).as_of))

    def catch_up(self, connection: Any, now: datetime, *, is_at_start: bool = False) -> None:
        """Add everything that the database says was closed. A ledger that can't be read, or that
        belongs to another folder, is replaced, because the database of a folder knows all.

        If it `is_at_start`, nothing is written if nothing is missing. If the database can't tell
        whose ledger it is, or the file can't be written, `is_behind` is set. Raises: sqlite3.Error.
        """
        try:
            known = read_closings(connection, now)
        except RecordDamaged:
            # reported by whoever reads the record
            self.is_behind = True
            return
        before = None
        with contextlib.suppress(LedgerUnreadable, OSError):
            before = self._ledger or self.read()
        if before is not None and before.folder == known.folder:
            known = before.with_more(known.closings, known.as_of)
            if is_at_start and known.closings == before.closings:
                return
        self._write(known)

    def _write(self, ledger: Ledger) -> None:
        try:
            write_whole(self.file, encode_ledger(ledger))
        except OSError:
            self.is_behind = True
        else:
            self._ledger, self.is_behind = ledger, False


def keep_closings(folder: Path, ledger: Ledger) -> None:
    """Add the closings of another ledger to that of a folder, also those of records that the folder
    does not have. Raises: LedgerUnreadable, OSError.
    """
    file = LedgerFile(folder)
    own = file.read() or ledger
    write_whole(file.file, encode_ledger(own.with_more(ledger.closings, own.as_of)))
