"""Clock: what mechanics clock and tick on quotes, in SQLite."""

from __future__ import annotations

from datetime import date
from typing import Final

from msgspec import structs

from kitwright.keeping.record import ClockEntry
from kitwright.store.rows import Session
from kitwright.store.table import Table

CLOCK: Final = """
CREATE TABLE clock_entries (
    quote INTEGER NOT NULL REFERENCES quotes (number),
    number INTEGER NOT NULL,
    kind TEXT NOT NULL,
    at TEXT NOT NULL,
    day TEXT NOT NULL,
    who TEXT NOT NULL,
    hand TEXT NOT NULL,
    by TEXT NOT NULL,
    phase TEXT,
    step TEXT,
    moment TEXT,
    about INTEGER,
    minutes INTEGER,
    reason TEXT,
    seal BLOB NOT NULL,
    PRIMARY KEY (quote, number)
) STRICT;;
CREATE INDEX clock_entries_day ON clock_entries (day, quote, number);;
CREATE TRIGGER clock_entries_stay BEFORE UPDATE ON clock_entries
BEGIN
    SELECT RAISE(ABORT, 'an entry of a clock never changes');
END;;
CREATE TRIGGER clock_entries_last BEFORE DELETE ON clock_entries
BEGIN
    SELECT RAISE(ABORT, 'an entry of a clock is never deleted');
END
"""
"""The statements of the step that makes the table, separated by two semicolons."""


class ClockTable(Table[ClockEntry]):
    """Entries of clocks, as `kitwright.keeping.store.ClockEntries` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "clock_entries", ClockEntry, key=("quote", "number"))

    def add(self, record: ClockEntry, **more: object) -> ClockEntry:
        """Add an entry; return it with its number."""
        last = self.session.value(
            "SELECT coalesce(max(number), 0) FROM clock_entries WHERE quote = ?", (record.quote,)
        )
        return super().add(structs.replace(record, number=last + 1), **more)

    def of_day(self, day: date) -> tuple[ClockEntry, ...]:
        """Return the entries of all quotes that count for a day, by quote, oldest first."""
        return self.select("WHERE day = ? ORDER BY quote, number", day.isoformat())
