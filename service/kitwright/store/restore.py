"""Restore: turns a backup into a data folder, after verifying all of it."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import tarfile
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import msgspec

from kitwright.prices.register import FILE as REGISTER
from kitwright.prices.register import FOLDER as PRICES
from kitwright.store.backup import FORMAT, MANIFEST, BackupError, Manifest
from kitwright.store.engine import FILE, check_known, check_names
from kitwright.store.failure import of_disk
from kitwright.store.files import PHOTOS, make_folders, sync_folder
from kitwright.store.sqlite import sqlite3

STAGE: Final = ".restore-"
"""The prefix of the name of the folder in which a backup is verified."""
_PIECE: Final = 1024 * 1024
_LARGEST_MANIFEST: Final = 256 * _PIECE
_MEMBER: Final = re.compile(
    rf"{re.escape(MANIFEST)}|{re.escape(FILE)}|{PHOTOS}/([0-9a-f]{{2}})/\1[0-9a-f]{{62}}"
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


def restore(source: Path, folder: Path) -> Manifest:
    """Restore a backup into a data folder, the database last; return its manifest.

    Raises: FolderTaken, BackupDamaged, BackupNewer, OtherSchema, StoreFull, StoreUnavailable.
    """
    try:
        # its log as well: without its database, it would be taken for the restored one's log
        if any(folder.glob(f"{FILE}*")):
            raise FolderTaken(folder)
        is_new = not folder.exists()
        make_folders(folder)
        try:
            with tempfile.TemporaryDirectory(prefix=STAGE, dir=folder) as place:
                manifest = _unpack(source, Path(place))
                _check_database(source, Path(place) / FILE, manifest)
                _put_in_place(Path(place), folder, manifest)
        except BaseException:
            if is_new:
                with contextlib.suppress(OSError):
                    folder.rmdir()
            raise
    except OSError as error:
        raise of_disk(error, f"can't restore {source} into {folder}") from error
    return manifest


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
    path.parent.mkdir(parents=True, exist_ok=True)
    digest = hashlib.sha256()
    file = tar.extractfile(member)
    with path.open("xb") as written:
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
    for name in sorted(manifest.sha256.keys() - {FILE}):
        make_folders((folder / name).parent)
        (stage / name).replace(folder / name)
        sync_folder((folder / name).parent)
    (stage / FILE).replace(folder / FILE)
    sync_folder(folder)
