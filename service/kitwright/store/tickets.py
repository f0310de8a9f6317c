"""Tickets: machines as they were taken in, in SQLite, and what quotes have of them."""

from __future__ import annotations

from typing import Any, Final

from kitwright.keeping.record import Ticket
from kitwright.store.order_schema import allow_null
from kitwright.store.rows import Session
from kitwright.store.seal import seal_rows
from kitwright.store.table import Numbered

_TICKETS: Final = """
CREATE TABLE tickets (
    number INTEGER PRIMARY KEY,
    version INTEGER NOT NULL,
    customer INTEGER NOT NULL REFERENCES customers (number),
    machine INTEGER NOT NULL REFERENCES machines (number),
    brought_by TEXT,
    accessories TEXT NOT NULL,
    complaint TEXT NOT NULL,
    fee INTEGER NOT NULL,
    most INTEGER,
    currency TEXT NOT NULL,
    old_parts INTEGER NOT NULL,
    language TEXT NOT NULL,
    terms TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    made_at TEXT NOT NULL,
    day TEXT NOT NULL,
    agreed_at TEXT,
    agreed_by TEXT,
    means TEXT,
    erased_at TEXT,
    seal BLOB NOT NULL
) STRICT;;
CREATE INDEX tickets_customer ON tickets (customer, number);;
CREATE INDEX tickets_machine ON tickets (machine, number);;
CREATE TRIGGER tickets_stay BEFORE UPDATE ON tickets
WHEN OLD.agreed_at IS NOT NULL AND NEW.erased_at IS NULL
BEGIN
    SELECT RAISE(ABORT, 'a ticket that was agreed to never changes');
END;;
CREATE TRIGGER tickets_last BEFORE DELETE ON tickets
BEGIN
    SELECT RAISE(ABORT, 'a ticket is never deleted');
END;;
ALTER TABLE quotes ADD COLUMN fleet INTEGER REFERENCES quotes (number);;
ALTER TABLE quotes ADD COLUMN ticket INTEGER REFERENCES tickets (number);;
CREATE INDEX quotes_fleet ON quotes (fleet, number) WHERE fleet IS NOT NULL;;
CREATE INDEX quotes_ticket ON quotes (ticket, number) WHERE ticket IS NOT NULL;;
ALTER TABLE photos ADD COLUMN ticket INTEGER REFERENCES tickets (number);;
CREATE INDEX photos_ticket ON photos (ticket, number) WHERE ticket IS NOT NULL;;
INSERT INTO counters (name, floor) VALUES ('tickets', 0)
"""
"""The statements of the step, separated by two semicolons, once photographs may be of no quote."""


def make_tickets(connection: Any) -> None:
    """Make the table of the step, and the columns that lead to it. Raises: sqlite3.Error."""
    # the numbers of photographs that were deleted are not given again
    last = connection.execute("SELECT seq FROM sqlite_sequence WHERE name = 'photos'").fetchone()
    allow_null(connection, "photos", ("quote",))
    if last is not None:
        connection.execute("DELETE FROM sqlite_sequence WHERE name = 'photos'")
        connection.execute("INSERT INTO sqlite_sequence (name, seq) VALUES ('photos', ?)", last)
    for statement in _TICKETS.split(";;"):
        connection.execute(statement)
    seal_rows(connection, ("counters",))


class TicketTable(Numbered[Ticket]):
    """Tickets, as `kitwright.keeping.store.Tickets` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "tickets", Ticket)

    def find(
        self, customer: int | None, machine: int | None, before: int | None, most: int
    ) -> tuple[Ticket, ...]:
        """Return tickets, newest first; only those of a customer or a machine if one is given."""
        return self.page(before, most, customer=customer, machine=machine)
