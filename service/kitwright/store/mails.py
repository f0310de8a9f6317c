"""Mails: e-mails to customers and suppliers, in SQLite."""

from __future__ import annotations

import itertools
from datetime import datetime

from kitwright.keeping.record import Mail, Waiting
from kitwright.store.rows import Session, moment, waiting
from kitwright.store.table import PACKED, Numbered


class MailTable(Numbered[Mail]):
    """E-mails, as `kitwright.keeping.store.Mails` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(
            session,
            "mails",
            Mail,
            renamed={"to": "recipient", "order": "order_number"},
            codecs={"body": PACKED},
        )

    def of_order(self, order: int) -> tuple[Mail, ...]:
        """Return the e-mails of an order, oldest first."""
        return self.select("WHERE order_number = ? ORDER BY number", order)

    def to(self, address: str, after: int, most: int) -> tuple[Mail, ...]:
        """Return at most `most` e-mails to an address with their bodies, oldest first."""
        return self.select(
            "WHERE recipient = ? COLLATE NOCASE AND number > ? ORDER BY number LIMIT ?",
            address,
            after,
            most,
        )

    def queued_of(self, quote: int) -> tuple[Mail, ...]:
        """Return the queued e-mails of a quote, oldest first; damaged ones are set aside."""
        return tuple(self.sound("WHERE quote = ? AND state = 'queued' ORDER BY number", quote))

    def due(self, now: datetime, most: int) -> tuple[Mail, ...]:
        """Return the queued e-mails that are due, with their bodies, longest due first."""
        where = "WHERE state = 'queued' AND next_at <= ? ORDER BY next_at, number"
        return tuple(itertools.islice(self.sound(where, moment(now)), most))

    def soonest(self) -> datetime | None:
        """Return when the next queued e-mail is due; None if none waits."""
        where = "WHERE state = 'queued' AND next_at IS NOT NULL ORDER BY next_at, number"
        return next((mail.next_at for mail in self.sound(where)), None)

    def waiting(self) -> Waiting:
        """Return the queued e-mails."""
        return waiting(
            self.session,
            "SELECT count(*), min(made_at) FROM mails WHERE state = 'queued'",
        )
