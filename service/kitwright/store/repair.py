"""Repair: mends in a data folder what can be mended without loss, and nothing else.

Indexes and the search are made anew from the records, and files that a broken-off process left are
deleted. A record or a photograph that has changed can't be mended: only a backup has it.
"""

from __future__ import annotations

import contextlib
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from kitwright.keeping.store import RecordDamaged
from kitwright.store.engine import FILE, check_known, connect, pending
from kitwright.store.files import temporary
from kitwright.store.people import CustomerTable
from kitwright.store.quotes import QuoteTable
from kitwright.store.rows import Session, indexed
from kitwright.store.scrub import broken, definition_of
from kitwright.store.sqlite import sqlite3

_SEARCH: Final = ("customer_words", "quote_words")


def repair(folder: Path) -> tuple[str, ...]:
    """Mend what can be mended safely in a data folder that no service has open; return what was
    done, in words.

    Raises: OtherSchema, sqlite3.Error, OSError: then nothing of the database was changed.
    """
    done = [f"deleted {path.relative_to(folder)}" for path in clean(folder)]
    if not (folder / FILE).is_file():
        return tuple(done)
    with contextlib.closing(connect(folder / FILE)) as connection:
        check_known(connection)
        if pending(connection):
            return tuple(done)
        if list(broken(connection)):
            _reindex(connection)
            left = list(broken(connection))
            done.append("made the indexes and the search anew")
            if left:
                done.append(f"not mended, restore a backup: {left[0]}")
    return tuple(done)


def clean(folder: Path, *, age_seconds: float = 0.0) -> Iterator[Path]:
    """Delete what processes that broke off left in a data folder; yield every file and folder.

    Args:
        age_seconds: how old what lies in the folder itself must be: it may be a backup's or a
            restore's that is still at work.

    Raises: OSError.
    """
    now = time.time()
    for path in temporary(folder):
        if path.parent == folder and now - path.lstat().st_mtime < age_seconds:
            continue
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)
        yield path


def _reindex(connection: Any) -> None:
    """Make all indexes and the search anew, in one transaction. Raises: sqlite3.Error."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        connection.execute("REINDEX")
        _search_anew(Session(connection))
        connection.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(sqlite3.Error):
            connection.execute("ROLLBACK")
        raise


def _search_anew(session: Session) -> None:
    customers, quotes = CustomerTable(session), QuoteTable(session)
    for table in _SEARCH:
        session.run(f"DROP TABLE {table}")
        session.run(definition_of(table))
    for customer in customers.sound("ORDER BY number"):
        words = {"rowid": customer.number, "name": indexed(customer.name)}
        session.insert("customer_words", words)
    for quote in quotes.sound("ORDER BY number"):
        with contextlib.suppress(RecordDamaged):
            quotes.index(quote)
