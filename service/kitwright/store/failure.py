"""Failure: what SQLite says of a disk and of its own rules, in the store's own words."""

from __future__ import annotations

from typing import Final

from kitwright.keeping.store import (
    RecordConflict,
    RevisionSealed,
    StoreFull,
    StoreUnavailable,
)

SEALED: Final = "an issued revision never changes"
"""What the schema says to a change of an issued revision."""
_FULL: Final = ("SQLITE_FULL", "SQLITE_IOERR_WRITE", "SQLITE_IOERR_SHMSIZE")
"""A file that can't grow is a disk or a quota that is full, whichever says so."""
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
"""How the names of errors begin that no statement is to blame for."""


def translated(error: Exception) -> StoreFull | StoreUnavailable:
    """Return a database's error as one of the store's own."""
    if _name(error) in _FULL:
        return StoreFull(f"no room for more: {error}")
    return StoreUnavailable(f"the records can't be reached: {error}")


def refused(error: Exception) -> RevisionSealed | RecordConflict:
    """Return what a rule of the schema refused as one of the store's own errors."""
    if str(error) == SEALED:
        return RevisionSealed(SEALED)
    return RecordConflict(f"this contradicts what is kept: {error}")


def is_outer(error: Exception) -> bool:
    """Return whether an error came from the disk or another process, not from the statement."""
    return _name(error).startswith(_OUTER)


def _name(error: Exception) -> str:
    return getattr(error, "sqlite_errorname", None) or ""
