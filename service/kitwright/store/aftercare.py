"""Aftercare: come-backs, claims to suppliers and notices to collect a machine, in SQLite."""

from __future__ import annotations

from typing import Final

from msgspec import structs

from kitwright.keeping.aftercare import Claim, ClaimState, KeptComeBack, Notice
from kitwright.store.rows import Session
from kitwright.store.table import Numbered, Table

AFTERCARE: Final = """
CREATE TABLE come_backs (
    quote INTEGER PRIMARY KEY REFERENCES quotes (number),
    visit INTEGER NOT NULL REFERENCES quotes (number),
    day TEXT NOT NULL,
    cause TEXT,
    ground TEXT NOT NULL,
    jobs TEXT NOT NULL,
    part TEXT,
    reason TEXT,
    who TEXT,
    at TEXT NOT NULL,
    seal BLOB NOT NULL
) STRICT;;
CREATE INDEX come_backs_visit ON come_backs (visit, quote);;
CREATE TABLE claims (
    number INTEGER PRIMARY KEY,
    version INTEGER NOT NULL,
    quote INTEGER NOT NULL REFERENCES quotes (number),
    visit INTEGER NOT NULL REFERENCES quotes (number),
    part TEXT NOT NULL,
    pieces INTEGER NOT NULL,
    supplier TEXT,
    order_number INTEGER REFERENCES orders (number),
    line INTEGER,
    sku TEXT,
    received_on TEXT,
    cost INTEGER,
    fitted_on TEXT NOT NULL,
    failed_on TEXT NOT NULL,
    hours_fitted TEXT,
    hours_failed TEXT,
    due_on TEXT,
    state TEXT NOT NULL,
    what TEXT NOT NULL,
    sent_on TEXT,
    reference TEXT,
    answered_on TEXT,
    credit INTEGER,
    reason TEXT,
    who TEXT NOT NULL,
    made_at TEXT NOT NULL,
    currency TEXT,
    seal BLOB NOT NULL
) STRICT;;
CREATE INDEX claims_quote ON claims (quote, number);;
CREATE INDEX claims_state ON claims (state, number);;
CREATE TRIGGER claims_last BEFORE DELETE ON claims
BEGIN
    SELECT RAISE(ABORT, 'a claim is never deleted');
END;;
CREATE TABLE notices (
    quote INTEGER NOT NULL REFERENCES quotes (number),
    number INTEGER NOT NULL,
    at TEXT NOT NULL,
    day TEXT NOT NULL,
    way TEXT NOT NULL,
    who TEXT NOT NULL,
    hand TEXT NOT NULL,
    by TEXT NOT NULL,
    seal BLOB NOT NULL,
    PRIMARY KEY (quote, number)
) STRICT;;
CREATE TRIGGER notices_stay BEFORE UPDATE ON notices
BEGIN
    SELECT RAISE(ABORT, 'a notice never changes');
END;;
CREATE TRIGGER notices_last BEFORE DELETE ON notices
BEGIN
    SELECT RAISE(ABORT, 'a notice is never deleted');
END;;
INSERT INTO counters (name, floor) VALUES ('claims', 0)
"""
"""The statements of the step, separated by two semicolons."""


class ComeBackTable(Table[KeptComeBack]):
    """Come-backs, as `kitwright.keeping.store.ComeBacks` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "come_backs", KeptComeBack, key=("quote",))

    def of_visit(self, visit: int) -> tuple[KeptComeBack, ...]:
        """Return the come-backs from a visit, oldest first."""
        return self.select("WHERE visit = ? ORDER BY quote", visit)


class ClaimTable(Numbered[Claim]):
    """Claims, as `kitwright.keeping.store.Claims` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "claims", Claim, renamed={"order": "order_number"})

    def find(
        self, quote: int | None, state: ClaimState | None, before: int | None, most: int
    ) -> tuple[Claim, ...]:
        """Return claims, newest first; only those of a quote or in a state if one is given."""
        return self.page(before, most, quote=quote, state=None if state is None else state.value)


class NoticeTable(Table[Notice]):
    """Notices, as `kitwright.keeping.store.Notices` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "notices", Notice, key=("quote", "number"))

    def add(self, record: Notice, **more: object) -> Notice:
        """Add a notice; return it with its number."""
        last = self.session.value(
            "SELECT coalesce(max(number), 0) FROM notices WHERE quote = ?", (record.quote,)
        )
        return super().add(structs.replace(record, number=last + 1), **more)
