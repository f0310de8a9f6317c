"""Snapshots: a folder of backups made at intervals, which of them to keep, and which to restore.

Each snapshot is a complete backup, so any one of them can be restored without the others. What was
changed after the newest snapshot is lost with the data folder: at most the interval, and the time
that a backup takes.
"""

from __future__ import annotations

import contextlib
import re
import shutil
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from msgspec import Struct

from kitwright.keeping.closing import Ledger
from kitwright.store.backup import BackupError, Manifest, back_up
from kitwright.store.closings import LedgerUnreadable, read_ledger
from kitwright.store.failure import of_disk
from kitwright.store.files import NEW, make_folders, sync_folder

NEWEST: Final = 48
"""How many of the newest snapshots are kept by default."""
_DAYS: Final = 14
_MONTHS: Final = 12
_LEFT_OVER: Final = timedelta(hours=6)
"""The age from which an unfinished backup was certainly left behind by a process that broke off."""
_FORM: Final = "kitwright-%Y%m%dT%H%M%S.%fZ.tar"
_NAME: Final = re.compile(r"kitwright-\d{8}T\d{6}\.\d{6}Z\.tar", re.ASCII)


class NoSnapshot(BackupError):
    """A folder without a snapshot that is old enough."""

    code = "no-snapshot"

    def __init__(self, folder: Path, to: datetime | None, oldest: datetime | None) -> None:
        if to is None or oldest is None:
            told = f"there is no snapshot in {folder}"
        else:
            told = f"no snapshot in {folder} is as old as that: the oldest is of {oldest:%c} UTC"
        super().__init__(told)
        self.folder = folder


class Snapshot(Struct, frozen=True, kw_only=True):
    """A snapshot that was made: its file, its content, and the older ones deleted after it."""

    file: Path
    manifest: Manifest
    dropped: tuple[Path, ...]


def take_snapshot(
    folder: Path, into: Path, *, newest: int = NEWEST, at: datetime | None = None
) -> Snapshot:
    """Back a data folder up into a folder of snapshots, and delete those no longer kept.

    Args:
        folder: the data folder.
        into: the folder of snapshots, created if it is missing.
        newest: how many of the newest snapshots to keep, besides one for each day and month.
        at: the time of the snapshot, None for now.

    Raises: NothingToBackUp, BackupTaken, OtherSchema, StoreFull, StoreUnavailable.
    """
    at = at or datetime.now(UTC)
    try:
        make_folders(into)
        _clean(into, at)
        file = into / at.astimezone(UTC).strftime(_FORM)
        manifest = back_up(folder, file, at=at)
        found = snapshots(into)
        kept = kept_times(found, newest)
        dropped = tuple(path for time, path in found.items() if time not in kept)
        for path in dropped:
            path.unlink(missing_ok=True)
        sync_folder(into)
    except OSError as error:
        raise of_disk(error, f"can't write into {into}") from error
    return Snapshot(file=file, manifest=manifest, dropped=dropped)


def snapshots(into: Path) -> dict[datetime, Path]:
    """Return the snapshots in a folder by time, oldest first. Raises: OSError."""
    names = sorted(path for path in into.iterdir() if _NAME.fullmatch(path.name))
    return {datetime.strptime(path.name, _FORM).replace(tzinfo=UTC): path for path in names}


def kept_times(times: Iterable[datetime], newest: int) -> frozenset[datetime]:
    """Return which snapshots to keep: the newest, the last one of each of the newest 14 days that
    have one, and the last one of each of the newest 12 months. Days and months are those of UTC.
    """
    ordered = sorted(times)
    kept = set(ordered[-max(newest, 1) :])
    for form, most in (("%Y-%m-%d", _DAYS), ("%Y-%m", _MONTHS)):
        last = {time.strftime(form): time for time in ordered}
        kept |= {last[name] for name in sorted(last)[-most:]}
    return frozenset(kept)


def choose_snapshot(source: Path, to: datetime | None = None) -> tuple[Path, datetime | None]:
    """Return the newest snapshot of a folder that is not later than a time, and the time of the
    next one, None if there is none. A file is a backup by itself, and returned as it is.

    Raises: NoSnapshot, StoreUnavailable.
    """
    if not source.is_dir():
        return source, None
    try:
        found = snapshots(source)
    except OSError as error:
        raise of_disk(error, f"can't read {source}") from error
    fitting = [time for time in found if to is None or time <= to]
    if not fitting:
        raise NoSnapshot(source, to, min(found, default=None))
    later = [time for time in found if time > fitting[-1]]
    return found[fitting[-1]], min(later, default=None)


def newest_ledger(into: Path) -> tuple[Path, Ledger] | None:
    """Return the newest ledger in a folder of snapshots that can be read, and its file."""
    for path in reversed(snapshots(into).values()):
        with contextlib.suppress(LedgerUnreadable, OSError):
            return path, read_ledger(path)
    return None


def _clean(into: Path, now: datetime) -> None:
    """Delete what backups left that broke off. Raises: OSError."""
    for path in into.glob(f"{NEW}*"):
        if now.timestamp() - path.stat().st_mtime > _LEFT_OVER.total_seconds():
            shutil.rmtree(path, ignore_errors=True)
