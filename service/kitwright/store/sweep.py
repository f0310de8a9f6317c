"""Sweep: writes a database anew, so that nothing of what was erased is left in its file.

SQLite overwrites what it deletes, but not the copies that it leaves in the free part of a page when
it moves rows from one page to another. Writing all pages anew leaves them behind. It takes seconds
for a large database, and is done only where nobody waits: at the start of a service after something
was erased, and in a restore.
"""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any, Final

from kitwright.store.engine import connect
from kitwright.store.generations import Counter
from kitwright.store.rows import Session
from kitwright.store.table import Table

_ERASURES: Final = "erasures"


def sweep(file: Path) -> bool:
    """Write a database anew if something was erased since that was last done; return whether it was
    done. Nobody else may have the database open.

    It has to have the newest schema. An erasure that is under way is left to the next time.

    Raises: RecordDamaged, sqlite3.Error: then nothing is lost.
    """
    with contextlib.closing(connect(file)) as connection:
        session = Session(connection)
        counters = Table(session, "counters", Counter, key=("name",))
        last = session.value("SELECT seq FROM sqlite_sequence WHERE name = ?", (_ERASURES,)) or 0
        done = counters.get(_ERASURES)
        is_under_way = session.row("SELECT 1 FROM erasures") is not None
        if is_under_way or last <= (0 if done is None else done.floor):
            return False
        write_anew(connection)
        # later numbers are above it
        counter = Counter(name=_ERASURES, floor=last)
        connection.execute("BEGIN IMMEDIATE")
        if done is None:
            counters.add(counter)
        else:
            counters.put(counter)
        connection.execute("COMMIT")
    return True


def write_anew(connection: Any) -> None:
    """Write all pages of a database anew, and empty its log. Raises: sqlite3.Error."""
    connection.execute("VACUUM")
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
