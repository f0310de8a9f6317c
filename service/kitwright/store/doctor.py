"""Doctor: reports present and coming problems of a data folder. It changes nothing."""

from __future__ import annotations

import contextlib
import hashlib
import json
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from pathlib import Path
from typing import Any, Final

from msgspec import Struct

from kitwright.errors import reason_of
from kitwright.keeping.bill_gaps import TELLING, missing, told_in
from kitwright.keeping.store import RecordDamaged
from kitwright.prices.books import BookDamaged
from kitwright.prices.register import SqlitePriceBooks
from kitwright.store.closings import LEDGER, LedgerFile, LedgerUnreadable, read_closings
from kitwright.store.engine import FILE, OtherSchema, all_names, check_known, connect_to_read
from kitwright.store.failure import PROBE
from kitwright.store.files import NEW, STAGE, PhotoFiles, is_sha256, open_to_others
from kitwright.store.ledger import check_ledger
from kitwright.store.rows import moment
from kitwright.store.scrub import broken, broken_links, damaged_rows, lost_references
from kitwright.store.sqlite import sqlite3

LEAST_FREE: Final = 200 * 1024 * 1024
"""Bytes of free space below which a disk will soon be full."""
_LARGEST_LOG: Final = 64 * 1024 * 1024
"""Bytes above which something holds a write-ahead log back: normally it restarts at 4 MiB."""
_STUCK: Final = timedelta(days=1)
_JUST_NOW: Final = timedelta(hours=1)
"""The longest time that a running service may need between writing a file and its record."""
_SOUND_SQLITE: Final = (3, 51, 0)
"""Before this version, a write-ahead log could be reset while another process still wrote it."""


class Severity(StrEnum):
    """The severity of a finding: an error is wrong now, a warning may become one, a note
    informs.
    """

    error = "error"
    warning = "warning"
    note = "note"


class Finding(Struct, frozen=True, kw_only=True):
    """One finding, with a stable code."""

    severity: Severity
    code: str
    detail: str

    def __str__(self) -> str:
        return f"{self.severity.value} {self.code}: {self.detail}"


def examine(
    folder: Path,
    *,
    now: datetime | None = None,
    version: tuple[int, ...] = sqlite3.sqlite_version_info,
) -> tuple[Finding, ...]:
    """Return the findings in a data folder, most severe first. A service may be running on it.

    Args:
        now: the time of the check, None for the present time.
        version: of SQLite.
    """
    now = now or datetime.now(UTC)
    findings = [*_disk(folder), *_software(version), *_modes(folder)]
    try:
        findings += _database(folder, now)
    except (OSError, sqlite3.Error) as error:
        reason = reason_of(error) if isinstance(error, OSError) else error
        findings.append(_error("unreadable", f"can't read {folder / FILE}: {reason}"))
    findings += _prices(folder)
    order = list(Severity)
    return tuple(sorted(findings, key=lambda finding: order.index(finding.severity)))


def _error(code: str, detail: str) -> Finding:
    return Finding(severity=Severity.error, code=code, detail=detail)


def _warning(code: str, detail: str) -> Finding:
    return Finding(severity=Severity.warning, code=code, detail=detail)


def _note(code: str, detail: str) -> Finding:
    return Finding(severity=Severity.note, code=code, detail=detail)


def _disk(folder: Path) -> Iterator[Finding]:
    try:
        free = shutil.disk_usage(folder).free
        file, log = folder / FILE, folder / f"{FILE}-wal"
        size = file.stat().st_size if file.exists() else 0
        logged = log.stat().st_size if log.exists() else 0
    except OSError:
        # reported by the function that reads the database
        return
    if free < max(LEAST_FREE, size):
        yield _warning("little-room", f"free: {_mib(free)} MiB; a backup needs {_mib(size)} MiB")
    if logged > _LARGEST_LOG:
        yield _warning(
            "long-log",
            f"the write-ahead log has grown to {_mib(logged)} MiB: a reader never closes",
        )


def _mib(size: int) -> int:
    return -(-size // 1024**2)


def _software(version: tuple[int, ...]) -> Iterator[Finding]:
    if version < _SOUND_SQLITE:
        yield _warning(
            "old-sqlite",
            f"SQLite {'.'.join(map(str, version))} can damage a database that several processes "
            "open: install the pysqlite3 package, or a system with 3.51 or newer",
        )


def _modes(folder: Path) -> Iterator[Finding]:
    if warning := warn_of_modes(folder):
        yield _warning("open-to-others", warning)


def warn_of_modes(folder: Path) -> str | None:
    """Return a warning if other users of this machine may use a data folder, else None."""
    exposed = list(open_to_others(folder))
    if not exposed:
        return None
    others = len(exposed) - 1
    more = f" and {others} more {'path' if others == 1 else 'paths'}" if others else ""
    return (
        f"other users of this machine may read or write {exposed[0]}{more}: run "
        f"`chmod -R go= {folder}`"
    )


def _generation(folder: Path, connection: Any) -> Iterator[Finding]:
    try:
        known = read_closings(connection, datetime.now(UTC))
    except RecordDamaged:
        yield _error(
            "generation-missing", "no sound record says which generation of the folder this is"
        )
        return
    taken_at, released_at = connection.execute(
        "SELECT taken_at, released_at FROM generations ORDER BY number DESC LIMIT 1"
    ).fetchone()
    if released_at is None:
        yield _note(
            "held",
            f"restored from a backup of {taken_at}: e-mails, webhook events and links wait until "
            "`kitwright release`",
        )
    try:
        ledger = LedgerFile(folder).read()
    except (LedgerUnreadable, OSError) as error:
        reason = reason_of(error) if isinstance(error, OSError) else error
        yield _warning("ledger-damaged", f"{reason}; the next start writes it again")
        return
    if ledger is None or ledger.folder != known.folder:
        yield _warning(
            "ledger-missing",
            f"{folder / LEDGER} is missing or of another folder; the next start writes it again",
        )
    elif missing := {one.id for one in known.closings} - {one.id for one in ledger.closings}:
        yield _warning(
            "ledger-behind",
            f"erasures and revocations not yet in {folder / LEDGER}: {len(missing)}; the next "
            "start adds them",
        )


def _database(folder: Path, now: datetime) -> list[Finding]:
    file = folder / FILE
    if not file.is_file():
        return [_error("no-database", f"there is no {FILE} in {folder}")]
    connection, _ = connect_to_read(file)
    with contextlib.closing(connection):
        # one view: otherwise a running service could make the counts differ
        connection.execute("BEGIN")
        findings = [_error("damaged-database", reason) for reason in broken(connection)]
        try:
            missing = [name for name in all_names() if name not in check_known(connection)]
        except OtherSchema as error:
            return [*findings, _error(error.code, str(error))]
        if missing:
            # the records are read as the newest schema has them
            steps = ", ".join(missing)
            return [
                *findings,
                _warning("older-schema", f"the next start runs the migrations {steps}"),
            ]
        findings += [*_changed(connection)]
        findings += (_error(code, detail) for code, detail in check_ledger(connection))
        findings += _deliveries(connection, now)
        findings += _generation(folder, connection)
        findings += _clock(connection, now)
        findings += _unfinished(connection)
        findings += _bills(connection)
        needed = {row[0] for row in connection.execute("SELECT sha256 FROM photos")}
    return [*findings, *_files(folder, needed, now)]


def _changed(connection: Any) -> Iterator[Finding]:
    """Yield an error for every row that has changed since it was written, and every event that does
    not follow from the one before it.
    """
    for row in lost_references(connection):
        yield _error("lost-reference", row)
    for error in damaged_rows(connection):
        key = " ".join(map(str, error.key))
        yield _error("damaged-record", f"{error.table} {key}: changed since it was written")
    for seq in broken_links(connection):
        yield _error("history-broken", f"event {seq} does not follow from the event before it")


def _deliveries(connection: Any, now: datetime) -> Iterator[Finding]:
    for hook, count, since in connection.execute(
        "SELECT hook, count(*), min(next_at) FROM deliveries JOIN hooks ON hooks.number = hook"
        " WHERE is_active AND next_at < ? GROUP BY hook ORDER BY hook",
        (moment(now - _STUCK),),
    ):
        yield _warning(
            "stuck-deliveries",
            f"events waiting for webhook {hook}: {count}, the oldest since {since}",
        )


def _clock(connection: Any, now: datetime) -> Iterator[Finding]:
    for seq, at in connection.execute(
        "SELECT seq, at FROM events WHERE at > ? ORDER BY at DESC LIMIT 1",
        (moment(now + _JUST_NOW),),
    ):
        yield _warning(
            "clock-behind",
            f"event {seq} is dated {at}, which is yet to come: the clock of this machine is behind "
            "now, or was ahead then",
        )


def _unfinished(connection: Any) -> Iterator[Finding]:
    for (customer,) in connection.execute("SELECT customer FROM erasures ORDER BY number"):
        yield _note("erasing", f"customer {customer} is being erased; the next start finishes it")
    count = connection.execute("SELECT count(*) FROM disposals").fetchone()[0]
    if count:
        yield _note("deleting", f"files to be deleted by the service: {count}")


def _bills(connection: Any) -> Iterator[Finding]:
    """Yield the invoices that were made between a backup and its restore, and are not here."""
    places: dict[str, list[int]] = {}
    for series, place in connection.execute("SELECT series, place FROM bills ORDER BY number"):
        places.setdefault(series, []).append(place)
    told: list[tuple[object, dict[str, object]]] = []
    for subject, facts in connection.execute(
        "SELECT subject, facts FROM events WHERE kind IN (?, ?) ORDER BY seq", TELLING
    ):
        with contextlib.suppress(ValueError):
            told.append((subject, json.loads(facts)))
    for numbers in missing(places, told_in(told)):
        yield _warning(
            "missing-invoice",
            f"{numbers}: handed out before a restore, and not here; enter it from its copy",
        )


def _prices(folder: Path) -> Iterator[Finding]:
    """Yield the errors of price books in force, or to go back to."""
    with contextlib.closing(SqlitePriceBooks(folder)) as books:
        try:
            needed = books.needed()
            in_force = {each.file for each in books.in_force().by_supplier.values()}
        except sqlite3.Error as error:
            yield _error("damaged-prices", f"the register of the price books: {error}")
            return
        for number, sha256 in sorted(needed.items()):
            if number in in_force or books.book(number).is_file():
                try:
                    books.check(number, sha256)
                except BookDamaged as error:
                    yield _error("damaged-price-book", str(error))


def _files(folder: Path, needed: set[str], now: datetime) -> Iterator[Finding]:
    files = PhotoFiles(folder)
    there = set(files.every())
    for sha256 in sorted(needed - there):
        yield _error("missing-photo", f"photograph {sha256} has no file")
    for sha256 in sorted(needed & there):
        if is_sha256(sha256) and _hash(files.path(sha256)) != sha256:
            yield _error("damaged-photo", f"the file of photograph {sha256} has changed")
    for sha256 in sorted(there - needed):
        yield _left(
            "orphaned-photo", f"no record refers to photograph {sha256}", files.path(sha256), now
        )
    begun = (path for path in folder.glob(".*") if path.name.startswith((NEW, PROBE, STAGE)))
    for path in [*files.strays(), *sorted(begun)]:
        yield _left("stray-file", f"no record refers to {path.relative_to(folder)}", path, now)


def _left(code: str, detail: str, path: Path, now: datetime) -> Finding:
    """Return a warning of a file that was left behind, or a note if it may just be arriving."""
    try:
        age = now.timestamp() - path.lstat().st_mtime
    except OSError:
        age = 0
    return (_note if age < _JUST_NOW.total_seconds() else _warning)(code, detail)


def _hash(path: Path) -> str | None:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except FileNotFoundError:
        # erased since the records were read
        return path.name
