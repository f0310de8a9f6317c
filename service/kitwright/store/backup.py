"""Backup: copies a data folder into one file while the service runs, and reads such files.

The file is an uncompressed tar: the database, the ledger of erasures and revocations, the
photographs that the database names, the price books in force and those before them, and last
`manifest.json` with the SHA-256 of every other member. A file that was cut off is therefore
detected.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import tarfile
import tempfile
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import IO, Final, NamedTuple, cast

import msgspec
from msgspec import Struct

from kitwright.keeping.closing import Ledger
from kitwright.keeping.store import StoreError
from kitwright.prices.register import FILE as REGISTER
from kitwright.prices.register import FOLDER as PRICES
from kitwright.prices.register import SqlitePriceBooks
from kitwright.store.closings import LEDGER, MANIFEST, encode_ledger, read_closings
from kitwright.store.engine import FILE, check_known, connect_to_read, pending
from kitwright.store.failure import of_disk, translated
from kitwright.store.files import NEW, PHOTOS, PRIVATE, PhotoFiles, sync_folder
from kitwright.store.sqlite import sqlite3

FORMAT: Final = 2
"""The format of the backups that this version makes, and the newest that it restores."""


class BackupError(StoreError):
    """A backup that can't be made or restored."""

    code = "backup-error"


class BackupTaken(BackupError):
    """A file already exists where a backup should be written."""

    code = "backup-taken"

    def __init__(self, target: Path) -> None:
        super().__init__(f"{target} already exists: give another file name")
        self.target = target


class NothingToBackUp(BackupError):
    """A data folder without a database."""

    code = "nothing-to-back-up"

    def __init__(self, folder: Path) -> None:
        super().__init__(f"there is no {FILE} in {folder}")
        self.folder = folder


class Manifest(Struct, frozen=True, kw_only=True):
    """The content of a backup. `missing`: photographs that the database names but that had no
    file.
    """

    format: int
    taken_at: datetime
    schema: tuple[str, ...]
    sha256: dict[str, str]
    missing: tuple[str, ...] = ()

    @property
    def photos(self) -> int:
        """The number of photographs in it."""
        return sum(name.startswith(f"{PHOTOS}/") for name in self.sha256)


def back_up(folder: Path, target: Path, *, at: datetime | None = None) -> Manifest:
    """Write a backup of a data folder to the file `target`; return its manifest once it is
    complete.

    The service may continue to write: the backup includes everything acknowledged before the call.
    `at` is the time recorded for the backup, None for now.

    Raises: NothingToBackUp, BackupTaken, OtherSchema, StoreFull, StoreUnavailable.
    """
    at = at or datetime.now(UTC)
    if not (folder / FILE).is_file():
        raise NothingToBackUp(folder)
    if target.exists():
        raise BackupTaken(target)
    try:
        # next to the target, where as much disk space is needed anyway
        with tempfile.TemporaryDirectory(prefix=NEW, dir=target.parent) as place:
            copy, whole = Path(place) / FILE, Path(place) / "backup"
            copied = _copy_database(folder / FILE, copy, at)
            with whole.open("xb") as file:
                # it holds customers' data and secrets
                whole.chmod(PRIVATE)
                manifest = _pack(file, copy, folder, copied, at)
                file.flush()
                os.fsync(file.fileno())
            _name(whole, target)
        sync_folder(target.parent)
    except OSError as error:
        raise of_disk(error, f"can't write {target}") from error
    return manifest


class _Copied(NamedTuple):
    """What a copy of a database says: the steps of its schema, the photographs that it names, and
    its ledger, if its schema knows of one.
    """

    schema: tuple[str, ...]
    photos: tuple[str, ...]
    ledger: Ledger | None


def _copy_database(file: Path, copy: Path, at: datetime) -> _Copied:
    """Write one consistent copy; return what it says."""
    try:
        connection, _ = connect_to_read(file)
        with contextlib.closing(connection):
            # unlike a copy page by page, it leaves out erased data and never starts again
            connection.execute("PRAGMA query_only = OFF")
            connection.execute("VACUUM INTO ?", (str(copy),))
        with contextlib.closing(sqlite3.connect(str(copy))) as copied:
            schema = check_known(copied)
            photos = copied.execute("SELECT DISTINCT sha256 FROM photos ORDER BY sha256")
            names = tuple(row[0] for row in photos)
            is_older = bool(pending(copied))
            return _Copied(schema, names, None if is_older else read_closings(copied, at))
    except sqlite3.Error as error:
        raise translated(error, copy) from error


def _pack(file: IO[bytes], copy: Path, folder: Path, copied: _Copied, at: datetime) -> Manifest:
    with tarfile.open(fileobj=file, mode="w", format=tarfile.PAX_FORMAT) as tar:
        with copy.open("rb") as database:
            hashes = {FILE: _add(tar, FILE, database, at)}
        copy.unlink()
        if copied.ledger is not None:
            hashes[LEDGER] = _add(tar, LEDGER, BytesIO(encode_ledger(copied.ledger)), at)
        hashes |= _add_prices(tar, folder, copy.with_name(REGISTER), at)
        files, missing = PhotoFiles(folder), []
        for sha256 in copied.photos:
            try:
                with files.path(sha256).open("rb") as photo:
                    name = photo_member(sha256)
                    hashes[name] = _add(tar, name, photo, at)
            except FileNotFoundError:
                # erased in between, or lost before: the rest is worth storing
                missing.append(sha256)
        manifest = Manifest(
            format=FORMAT,
            taken_at=at,
            schema=copied.schema,
            sha256=hashes,
            missing=tuple(missing),
        )
        text = msgspec.json.format(msgspec.json.encode(manifest))
        _add(tar, MANIFEST, BytesIO(text), at)
    return manifest


def _add_prices(tar: tarfile.TarFile, folder: Path, copy: Path, at: datetime) -> dict[str, str]:
    """Add the price books in force and those before them; return their SHA-256 by member."""
    hashes: dict[str, str] = {}
    with contextlib.closing(SqlitePriceBooks(folder)) as books:
        if not books.has_register():
            return {}
        for number in books.copy_to(copy):
            name = f"{PRICES}/{number}.db"
            with books.book(number).open("rb") as book:
                hashes[name] = _add(tar, name, book, at)
    with copy.open("rb") as register:
        hashes[f"{PRICES}/{REGISTER}"] = _add(tar, f"{PRICES}/{REGISTER}", register, at)
    copy.unlink()
    return hashes


def photo_member(sha256: str) -> str:
    """Return the name of a photograph in a backup."""
    return f"{PHOTOS}/{sha256[:2]}/{sha256}"


class _Hashing:
    """A file that is hashed as it is read."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file
        self.sha256 = hashlib.sha256()

    def read(self, size: int = -1) -> bytes:
        """Return the next bytes."""
        piece = self._file.read(size)
        self.sha256.update(piece)
        return piece


def _add(tar: tarfile.TarFile, name: str, file: IO[bytes], at: datetime) -> str:
    """Add a member; return its SHA-256."""
    member = tarfile.TarInfo(name)
    member.size = file.seek(0, os.SEEK_END)
    file.seek(0)
    member.mtime = int(at.timestamp())
    member.mode = PRIVATE
    hashing = _Hashing(file)
    tar.addfile(member, cast("IO[bytes]", hashing))
    return hashing.sha256.hexdigest()


def _name(whole: Path, target: Path) -> None:
    """Give a complete file its name, unless another process took the name in between."""
    try:
        # unlike renaming, a link never replaces an existing file
        target.hardlink_to(whole)
    except FileExistsError as error:
        raise BackupTaken(target) from error
    except OSError:
        # a file system without links
        whole.replace(target)
