"""Estimates: what was done to the shop's estimates, in SQLite."""

from __future__ import annotations

from typing import Final

from kitwright.keeping.record import EstimateEntry
from kitwright.store.rows import Session
from kitwright.store.table import Numbered

ESTIMATES: Final = """
CREATE TABLE estimates (
    number INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    at TEXT NOT NULL,
    hand TEXT NOT NULL,
    by TEXT NOT NULL,
    since TEXT,
    figures TEXT,
    about INTEGER REFERENCES estimates (number),
    seal BLOB NOT NULL
) STRICT;;
CREATE TRIGGER estimates_stay BEFORE UPDATE ON estimates
BEGIN
    SELECT RAISE(ABORT, 'an entry of the estimates never changes');
END;;
CREATE TRIGGER estimates_last BEFORE DELETE ON estimates
BEGIN
    SELECT RAISE(ABORT, 'an entry of the estimates is never deleted');
END
"""
"""The statements of the step that makes the table, separated by two semicolons."""


class EstimateTable(Numbered[EstimateEntry]):
    """What was done to the estimates, as `kitwright.keeping.store.EstimateEntries` defines it."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "estimates", EstimateEntry)

    def last(self) -> int:
        """Return the number of the newest entry, 0 if there is none."""
        found: int = self.session.value("SELECT coalesce(max(number), 0) FROM estimates")
        return found

    def every(self) -> tuple[EstimateEntry, ...]:
        """Return all entries, oldest first."""
        return self.select("ORDER BY number")
