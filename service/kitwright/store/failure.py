"""Failure: what SQLite says of a disk, in the store's own words."""

from __future__ import annotations

from kitwright.keeping.store import StoreFull, StoreUnavailable


def translated(error: Exception) -> StoreFull | StoreUnavailable:
    """Return a database's error as one of the store's own."""
    name = getattr(error, "sqlite_errorname", "") or ""
    # a write that fails half-way is a disk or a quota that is full, whichever says so
    if name in {"SQLITE_FULL", "SQLITE_IOERR_WRITE"}:
        return StoreFull(f"no room for more: {error}")
    return StoreUnavailable(f"the records can't be reached: {error}")
