"""Mails: e-mails to customers, in SQLite."""

from __future__ import annotations

from datetime import datetime

from kitwright.keeping.record import Mail, Waiting
from kitwright.store.rows import Session, moment, read_moment, waiting
from kitwright.store.table import PACKED, Numbered


class MailTable(Numbered[Mail]):
    """E-mails, as `kitwright.keeping.store.Mails` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(
            session, "mails", Mail, renamed={"to": "recipient"}, codecs={"body": PACKED}
        )

    def to(self, address: str) -> tuple[Mail, ...]:
        """Return the e-mails to an address with their bodies, oldest first."""
        return self.select("WHERE recipient = ? COLLATE NOCASE ORDER BY number", address)

    def due(self, now: datetime, most: int) -> tuple[Mail, ...]:
        """Return the queued e-mails that are due, with their bodies, longest due first."""
        return self.select(
            "WHERE state = 'queued' AND next_at <= ? ORDER BY next_at, number LIMIT ?",
            moment(now),
            most,
        )

    def soonest(self) -> datetime | None:
        """Return when the next queued e-mail is due; None if none waits."""
        return read_moment(
            self.session.value("SELECT min(next_at) FROM mails WHERE state = 'queued'")
        )

    def waiting(self) -> Waiting:
        """Return the queued e-mails."""
        return waiting(
            self.session,
            "SELECT count(*), min(made_at) FROM mails WHERE state = 'queued'",
        )
