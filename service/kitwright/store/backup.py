"""Backup: a data folder as one file, taken while the service runs, and back.

An uncompressed tar: the database, the photographs that it names, and last `manifest.json` with the
SHA-256 of every other member, so that a file that was cut off is told from a whole one.
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
from typing import IO, Final, cast

import msgspec
from msgspec import Struct

from kitwright.keeping.store import StoreError
from kitwright.store.engine import FILE, check_known, connect_to_read
from kitwright.store.failure import of_disk, translated
from kitwright.store.files import NEW, PHOTOS, PhotoFiles, sync_folder
from kitwright.store.sqlite import sqlite3

MANIFEST: Final = "manifest.json"
FORMAT: Final = 1
"""Of the backups that this version takes, and the newest that it restores."""


class BackupError(StoreError):
    """A backup that can't be taken or restored."""

    code = "backup-error"


class BackupTaken(BackupError):
    """There is a file already where a backup should go."""

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
    """What a backup holds. `missing`: photographs that the database names and that had no file."""

    format: int
    taken_at: datetime
    schema: tuple[str, ...]
    sha256: dict[str, str]
    missing: tuple[str, ...] = ()

    @property
    def photos(self) -> int:
        """How many photographs it holds."""
        return len(self.sha256) - 1


def back_up(folder: Path, target: Path, *, at: datetime | None = None) -> Manifest:
    """Return what was taken of a data folder, once it is whole in the file `target`.

    The service may go on writing: everything acknowledged before is in it. It is said to be taken
    `at` a moment, None for this one.

    Raises: NothingToBackUp, BackupTaken, OtherSchema, StoreFull, StoreUnavailable.
    """
    at = at or datetime.now(UTC)
    if not (folder / FILE).is_file():
        raise NothingToBackUp(folder)
    if target.exists():
        raise BackupTaken(target)
    try:
        # beside the target, where there must be room for as much anyway
        with tempfile.TemporaryDirectory(prefix=NEW, dir=target.parent) as place:
            copy, whole = Path(place) / FILE, Path(place) / "backup"
            schema, photos = _copy_database(folder / FILE, copy)
            with whole.open("xb") as file:
                # it holds whatever is known of customers, and secrets
                whole.chmod(0o600)
                manifest = _pack(file, copy, PhotoFiles(folder), photos, schema, at)
                file.flush()
                os.fsync(file.fileno())
            _name(whole, target)
        sync_folder(target.parent)
    except OSError as error:
        raise of_disk(error, f"can't write {target}") from error
    return manifest


def _copy_database(file: Path, copy: Path) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Write one consistent copy; return its schema's steps and the photographs that it names."""
    try:
        connection, _ = connect_to_read(file)
        with contextlib.closing(connection):
            # unlike a copy page by page, it leaves out what was erased, and never begins anew
            connection.execute("PRAGMA query_only = OFF")
            connection.execute("VACUUM INTO ?", (str(copy),))
        with contextlib.closing(sqlite3.connect(str(copy))) as copied:
            schema = check_known(copied)
            photos = copied.execute("SELECT DISTINCT sha256 FROM photos ORDER BY sha256")
            return schema, tuple(row[0] for row in photos)
    except sqlite3.Error as error:
        raise translated(error, copy) from error


def _pack(
    file: IO[bytes],
    copy: Path,
    files: PhotoFiles,
    photos: tuple[str, ...],
    schema: tuple[str, ...],
    at: datetime,
) -> Manifest:
    with tarfile.open(fileobj=file, mode="w", format=tarfile.PAX_FORMAT) as tar:
        with copy.open("rb") as database:
            hashes = {FILE: _add(tar, FILE, database, at)}
        copy.unlink()
        missing = []
        for sha256 in photos:
            try:
                with files.path(sha256).open("rb") as photo:
                    name = photo_member(sha256)
                    hashes[name] = _add(tar, name, photo, at)
            except FileNotFoundError:
                # erased in between, or lost before: the rest is worth keeping
                missing.append(sha256)
        manifest = Manifest(
            format=FORMAT, taken_at=at, schema=schema, sha256=hashes, missing=tuple(missing)
        )
        text = msgspec.json.format(msgspec.json.encode(manifest))
        _add(tar, MANIFEST, BytesIO(text), at)
    return manifest


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
    member.mode = 0o600
    hashing = _Hashing(file)
    tar.addfile(member, cast("IO[bytes]", hashing))
    return hashing.sha256.hexdigest()


def _name(whole: Path, target: Path) -> None:
    """Give a whole file its name, unless another got it in between."""
    try:
        # unlike a renaming, a link never takes a name from another
        target.hardlink_to(whole)
    except FileExistsError as error:
        raise BackupTaken(target) from error
    except OSError:
        # a file system without links
        whole.replace(target)
