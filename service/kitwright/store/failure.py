"""Failure: translates errors of SQLite and of the disk into errors of the store."""

from __future__ import annotations

import errno
import tempfile
from pathlib import Path
from typing import Final

from kitwright.errors import reason_of
from kitwright.keeping.store import (
    RecordConflict,
    RevisionSealed,
    StoreFull,
    StoreUnavailable,
)

SEALED: Final = "an issued revision never changes"
"""The schema's message for a change to an issued revision."""
_FULL: Final = "SQLITE_FULL"
_VAGUE: Final = "SQLITE_IOERR"
"""The start of SQLite's message for a dozen causes, one of them a quota; `pysqlite3` gives no more.
"""
_NO_ROOM: Final = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_A_LITTLE: Final = 256 * 1024
PROBE: Final = ".room-"
"""The prefix of the name of a file that is written to test for disk space."""
_OUTER: Final = (
    "SQLITE_FULL",
    "SQLITE_IOERR",
    "SQLITE_CORRUPT",
    "SQLITE_NOTADB",
    "SQLITE_CANTOPEN",
    "SQLITE_READONLY",
    "SQLITE_BUSY",
    "SQLITE_LOCKED",
    "SQLITE_PROTOCOL",
    "SQLITE_NOMEM",
    "SQLITE_PERM",
    "SQLITE_AUTH",
)
"""The prefixes of the names of errors that no statement causes."""


def translated(error: Exception, file: Path) -> StoreFull | StoreUnavailable:
    """Return an error of a database, in its file, as an error of the store."""
    name = _name(error)
    if name == _FULL or (name.startswith(_VAGUE) and not _can_grow(file)):
        return StoreFull(f"no disk space left: {error}")
    return StoreUnavailable(f"the stored records can't be reached: {error}")


def refused(error: Exception) -> RevisionSealed | RecordConflict:
    """Return the store's error for an operation that a rule of the schema refused."""
    if str(error) == SEALED:
        return RevisionSealed(SEALED)
    return RecordConflict(f"this contradicts the stored records: {error}")


def is_outer(error: Exception) -> bool:
    """Return whether an error came from the disk or another process, not from the statement."""
    return _name(error).startswith(_OUTER)


def _can_grow(file: Path) -> bool:
    """Return whether another file next to a database could be slightly larger than it and its log.

    A full disk, a quota and a limit on file sizes all prevent this, each with its own error.
    """
    try:
        sizes = (one.stat().st_size for one in file.parent.glob(f"{file.name}*"))
        largest = max(sizes, default=0)
        with tempfile.TemporaryFile(dir=file.parent, prefix=PROBE) as probe:
            # the length first: on its own it takes no disk space
            probe.truncate(largest + _A_LITTLE)
            probe.seek(largest)
            probe.write(bytes(_A_LITTLE))
            probe.flush()
    except (OSError, ValueError) as error:
        return getattr(error, "errno", None) not in _NO_ROOM
    return True


def _name(error: Exception) -> str:
    return getattr(error, "sqlite_errorname", None) or ""


def of_disk(error: OSError, what: str) -> StoreFull | StoreUnavailable:
    """Return the system's error about a file as an error of the store."""
    if error.errno in _NO_ROOM:
        return StoreFull(f"no disk space left: {what}: {reason_of(error)}")
    return StoreUnavailable(f"{what}: {reason_of(error)}")
