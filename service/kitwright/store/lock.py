"""Lock: one process at a time may change a data folder.

The lock is the operating system's own (`flock`), on a file in the folder. It ends with its process,
however that ends, so a file that was left behind locks nothing. Windows has no such lock.
"""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from kitwright.keeping.store import StoreError
from kitwright.store.failure import of_disk
from kitwright.store.files import make_folders

if sys.platform != "win32":
    import fcntl

_PATIENCE: Final = 1.0
"""Seconds to wait for a holder that is just ending, as when a service is restarted."""
_PAUSE: Final = 0.05
LOCK: Final = "lock.txt"
"""File name of the lock in a data folder: it says who holds the lock."""


class FolderLocked(StoreError):
    """A data folder that another process is using."""

    code = "folder-locked"

    def __init__(self, folder: Path, holder: str) -> None:
        super().__init__(
            f"{folder} is in use by {holder or 'another process'}: stop that first, or give "
            "another folder with --data"
        )
        self.folder = folder
        self.holder = holder


@contextlib.contextmanager
def hold_folder(folder: Path, purpose: str) -> Iterator[None]:
    """Hold the lock of a data folder, which is created if it is missing.

    A folder that can't be written to is not locked: nothing in it can change.

    Args:
        folder: the data folder.
        purpose: what the lock is for, such as `kitwright serve`; told to whoever is refused.

    Raises: FolderLocked, StoreUnavailable.
    """
    handle = _open(folder)
    if handle is None:
        yield
        return
    try:
        if sys.platform != "win32":
            _take(handle, folder)
        since = datetime.now(UTC).isoformat(sep=" ", timespec="seconds")
        text = f"{purpose} (process {os.getpid()}, since {since})\n"
        with contextlib.suppress(OSError):
            # a full disk may not keep the service from reading
            os.ftruncate(handle, 0)
            os.pwrite(handle, text.encode(), 0)
        yield
        with contextlib.suppress(OSError):
            os.ftruncate(handle, 0)
    finally:
        os.close(handle)


@contextlib.contextmanager
def hold_or_join(folder: Path, purpose: str, *, holder: str) -> Iterator[bool]:
    """Hold the lock of a data folder, or work beside a holder with a certain purpose; yield whether
    the lock is held.

    Args:
        folder: the data folder.
        purpose: what the lock is for.
        holder: the purpose of whoever may hold it meanwhile.

    Raises: FolderLocked, if another holds it; StoreUnavailable.
    """
    with contextlib.ExitStack() as held:
        is_held = True
        try:
            held.enter_context(hold_folder(folder, purpose))
        except FolderLocked as error:
            if not error.holder.startswith(f"{holder} "):
                raise
            is_held = False
        yield is_held


def _open(folder: Path) -> int | None:
    try:
        make_folders(folder)
        return os.open(folder / LOCK, os.O_RDWR | os.O_CREAT, 0o600)
    except (PermissionError, FileExistsError, NotADirectoryError):
        return None
    except OSError as error:
        if folder.is_dir():
            return None
        raise of_disk(error, f"can't open {folder}") from error


def _take(handle: int, folder: Path) -> None:
    """Take the lock. Raises: FolderLocked."""
    deadline = time.monotonic() + _PATIENCE
    while True:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() > deadline:
                holder = os.pread(handle, 200, 0).decode(errors="replace").strip()
                raise FolderLocked(folder, holder) from None
            time.sleep(_PAUSE)
        else:
            return
