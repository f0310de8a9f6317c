"""Restore: turns a backup into a data folder, after verifying all of it."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import shutil
import tarfile
import tempfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from secrets import token_bytes
from typing import Final

import msgspec
from msgspec import Struct

from kitwright.keeping.closing import Ledger
from kitwright.keeping.generation import EPOCH_BYTES, Generation, numbers_lost
from kitwright.keeping.record import Hand, Revision, Stamp
from kitwright.keeping.release import begin_generation, close_again
from kitwright.keeping.store import Records
from kitwright.prices.register import FILE as REGISTER
from kitwright.prices.register import FOLDER as PRICES
from kitwright.prices.register import SqlitePriceBooks
from kitwright.store.backup import FORMAT, BackupError, Manifest
from kitwright.store.closings import (
    LEDGER,
    MANIFEST,
    LedgerFile,
    LedgerOfAnother,
    LedgerUnreadable,
    keep_closings,
)
from kitwright.store.engine import FILE, SqliteStore, check_known, check_names, connect
from kitwright.store.failure import of_disk, translated
from kitwright.store.files import PHOTOS, PRIVATE, STAGE, PhotoFiles, make_folders, sync_folder
from kitwright.store.lock import LOCK, hold_folder
from kitwright.store.sqlite import sqlite3
from kitwright.store.sweep import write_anew

_PIECE: Final = 1024 * 1024
_LARGEST_MANIFEST: Final = 256 * _PIECE
_MEMBER: Final = re.compile(
    rf"{re.escape(MANIFEST)}|{re.escape(FILE)}|{re.escape(LEDGER)}"
    rf"|{PHOTOS}/([0-9a-f]{{2}})/\1[0-9a-f]{{62}}"
    rf"|{PRICES}/(?:{re.escape(REGISTER)}|[1-9][0-9]{{0,17}}\.db)",
    re.ASCII,
)


class FolderTaken(BackupError):
    """A folder that already holds a database can't be restored into."""

    code = "folder-taken"

    def __init__(self, folder: Path) -> None:
        super().__init__(f"{folder} already has a database: restore into another folder")
        self.folder = folder


class BackupDamaged(BackupError):
    """A file that is not a backup, or that changed since it was made."""

    code = "backup-damaged"

    def __init__(self, source: Path, reason: str) -> None:
        super().__init__(f"{source} is not a valid backup: {reason}")
        self.source = source
        self.reason = reason


class BackupNewer(BackupError):
    """A backup in a format that only a newer version can read."""

    code = "backup-newer"

    def __init__(self, source: Path, form: int) -> None:
        super().__init__(f"{source} has format {form}: restore it with the version that made it")
        self.source = source
        self.form = form


class Restored(Struct, frozen=True, kw_only=True):
    """A restored folder: its backup's manifest, the generation that it begins, and how many
    erasures and revocations of a ledger were repeated in it.
    """

    manifest: Manifest
    generation: Generation
    closed: int


def restore(
    source: Path,
    folder: Path,
    *,
    redact: Callable[[Revision], Revision],
    ledger: tuple[Path, Ledger] | None = None,
    at: datetime | None = None,
    draw: Callable[[int], bytes] = token_bytes,
) -> Restored:
    """Restore a backup into a data folder, the database last.

    The folder begins a generation: nothing goes out until it is released, and numbers leave out all
    that may have been given since the backup. Erasures and revocations of the ledger are repeated,
    and of one that is in the folder. Without a ledger that is newer than the backup, old keys,
    links and personal data stay closed.

    Args:
        source: the backup.
        folder: a folder without a database.
        redact: removes personal data from a revision.
        ledger: the newest one that is known, and the file that it is from.
        at: the time of the restore, None for now.
        draw: returns random bytes.

    Raises: FolderTaken, FolderLocked, BackupDamaged, BackupNewer, LedgerOfAnother, ClockBehind,
        OtherSchema, StoreFull, StoreUnavailable.
    """
    at = at or datetime.now(UTC)
    is_new = not folder.exists()
    try:
        with hold_folder(folder, "kitwright restore"), _stage(folder, is_new=is_new) as stage:
            manifest = _unpack(source, stage)
            _check_database(source, stage / FILE, manifest)
            known = _ledgers(folder, ledger)
            restored = _begin(stage, manifest, known, redact, at, draw)
            _put_in_place(stage, folder, manifest)
    except OSError as error:
        raise of_disk(error, f"can't restore {source} into {folder}") from error
    return restored


@contextlib.contextmanager
def _stage(folder: Path, *, is_new: bool) -> Iterator[Path]:
    """Return a folder in which to prepare the contents of a data folder that has no database.

    If that fails, a new data folder is deleted. Raises: FolderTaken.
    """
    # its log as well: without its database, it would be taken for the restored one's log
    if any(folder.glob(f"{FILE}*")):
        raise FolderTaken(folder)
    drop_stages(folder)
    try:
        with tempfile.TemporaryDirectory(prefix=STAGE, dir=folder) as place:
            yield Path(place)
    except BaseException:
        if is_new:
            with contextlib.suppress(OSError):
                (folder / LOCK).unlink(missing_ok=True)
                folder.rmdir()
        raise


def drop_stages(folder: Path) -> None:
    """Delete what a restore that broke off has left in a data folder, which must be locked."""
    for path in folder.glob(f"{STAGE}*"):
        shutil.rmtree(path, ignore_errors=True)


def _ledgers(folder: Path, given: tuple[Path, Ledger] | None) -> tuple[tuple[Path, Ledger], ...]:
    """Return the ledgers that are known: the given one, and that of the folder itself."""
    own = LedgerFile(folder)
    with contextlib.suppress(LedgerUnreadable, OSError):
        if (ledger := own.read()) is not None:
            return (*([given] if given else ()), (own.file, ledger))
    return () if given is None else (given,)


def _begin(
    stage: Path,
    manifest: Manifest,
    known: tuple[tuple[Path, Ledger], ...],
    redact: Callable[[Revision], Revision],
    at: datetime,
    draw: Callable[[int], bytes],
) -> Restored:
    """Begin a generation in a folder that is not yet in place, and repeat a ledger in it."""
    left_out = numbers_lost(manifest.taken_at, at)
    known_until = manifest.taken_at
    stamp = Stamp(at=at, today=at.date(), hand=Hand.service, by="restore")
    with contextlib.closing(SqliteStore.open(stage)) as store:
        (first, *_) = store.read(lambda records: records.generations.every())
        closed_before = Ledger(folder=first.epoch, as_of=known_until)
        for file, ledger in known:
            if ledger.folder != first.epoch:
                raise LedgerOfAnother(file)
            closed_before = closed_before.with_more(ledger.closings, ledger.as_of)
        closings, known_until = closed_before.closings, closed_before.as_of
        begun = Generation(
            number=0,
            epoch=draw(EPOCH_BYTES).hex(),
            after=0,
            begun_at=at,
            taken_at=manifest.taken_at,
            known_until=known_until,
            is_confirmed=known_until > manifest.taken_at,
        )

        def work(records: Records) -> tuple[Generation, int]:
            generation = begin_generation(records, stamp, begun, left_out)
            return generation, close_again(records, stamp, closings, redact)

        generation, closed = store.write_now(work)
        needed = store.read(lambda records: records.photos.hashes())
    try:
        with contextlib.closing(connect(stage / FILE)) as connection:
            write_anew(connection)
    except sqlite3.Error as error:
        raise translated(error, stage / FILE) from error
    for sha256 in tuple(PhotoFiles(stage).every()):
        if sha256 not in needed:
            PhotoFiles(stage).drop(sha256)
    with contextlib.closing(SqlitePriceBooks(stage)) as books:
        books.leave_out(left_out)
    keep_closings(stage, closed_before)
    return Restored(manifest=manifest, generation=generation, closed=closed)


def _unpack(source: Path, stage: Path) -> Manifest:
    """Unpack the members of a backup into a folder of their own, each verified by its hash."""
    try:
        with tarfile.open(source, mode="r:") as tar:
            members = {member.name: member for member in _sound(source, tar)}
            manifest = _manifest(source, tar, members)
            if manifest.sha256.keys() != members.keys() - {MANIFEST}:
                raise BackupDamaged(source, "its files are not those that its manifest lists")
            for name, sha256 in manifest.sha256.items():
                if _write(tar, members[name], stage / name) != sha256:
                    raise BackupDamaged(source, f"{name} has changed")
    except (tarfile.TarError, EOFError) as error:
        raise BackupDamaged(source, str(error)) from error
    return manifest


def _sound(source: Path, tar: tarfile.TarFile) -> Iterator[tarfile.TarInfo]:
    seen = set[str]()
    for member in tar:
        # no links, devices or sparse files, and no path outside the folder
        if member.type not in (tarfile.REGTYPE, tarfile.AREGTYPE) or not _MEMBER.fullmatch(
            member.name
        ):
            raise BackupDamaged(source, f"{member.name!r} does not belong in a backup")
        if member.name in seen:
            raise BackupDamaged(source, f"{member.name} is in it twice")
        seen.add(member.name)
        yield member


def _manifest(source: Path, tar: tarfile.TarFile, members: dict[str, tarfile.TarInfo]) -> Manifest:
    member = members.get(MANIFEST)
    file = None if member is None else tar.extractfile(member)
    if member is None or file is None:
        raise BackupDamaged(source, f"it has no {MANIFEST}, so it is incomplete or another file")
    if member.size > _LARGEST_MANIFEST:
        raise BackupDamaged(source, f"its {MANIFEST} is too large")
    text = file.read()
    try:
        form = msgspec.json.decode(text, type=dict[str, msgspec.Raw])["format"]
        number = msgspec.json.decode(form, type=int)
        if number > FORMAT:
            raise BackupNewer(source, number)
        manifest = msgspec.json.decode(text, type=Manifest)
    except (msgspec.DecodeError, UnicodeDecodeError, KeyError) as error:
        raise BackupDamaged(source, f"its {MANIFEST} can't be read: {error}") from error
    if FILE not in manifest.sha256:
        raise BackupDamaged(source, f"it has no {FILE}")
    check_names(manifest.schema)
    return manifest


def _write(tar: tarfile.TarFile, member: tarfile.TarInfo, path: Path) -> str:
    """Write a member durably; return its SHA-256."""
    make_folders(path.parent)
    digest = hashlib.sha256()
    file = tar.extractfile(member)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, PRIVATE), "wb") as written:
        while file is not None and (piece := file.read(_PIECE)):
            digest.update(piece)
            written.write(piece)
        written.flush()
        os.fsync(written.fileno())
    return digest.hexdigest()


def _check_database(source: Path, file: Path, manifest: Manifest) -> None:
    try:
        uri = f"{file.absolute().as_uri()}?mode=ro&immutable=1"
        with contextlib.closing(sqlite3.connect(uri, uri=True)) as connection:
            schema = check_known(connection)
            problems = [row[0] for row in connection.execute("PRAGMA integrity_check(1)")]
            lost = connection.execute("PRAGMA foreign_key_check").fetchone()
    except sqlite3.Error as error:
        raise BackupDamaged(source, f"{FILE}: {error}") from error
    if problems != ["ok"]:
        raise BackupDamaged(source, f"{FILE}: {problems[0]}")
    if lost is not None:
        raise BackupDamaged(
            source, f"{FILE}: a row of {lost[0]} refers to a missing row of {lost[2]}"
        )
    if schema != manifest.schema or not schema:
        raise BackupDamaged(source, f"the schema of {FILE} is not the one that its manifest names")


def _put_in_place(stage: Path, folder: Path, manifest: Manifest) -> None:
    """Move everything into place, the database last: only with it does the shop exist."""
    for name in sorted((manifest.sha256.keys() | {LEDGER}) - {FILE}):
        if not (stage / name).exists():
            # a photograph of a customer who was erased; an earlier try may have put it there
            (folder / name).unlink(missing_ok=True)
            continue
        make_folders((folder / name).parent)
        (stage / name).replace(folder / name)
        sync_folder((folder / name).parent)
    for path in stage.glob(f"{FILE}-*"):
        # closing the database has emptied its log
        path.unlink()
    (stage / FILE).replace(folder / FILE)
    sync_folder(folder)
