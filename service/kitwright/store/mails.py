"""Mails: e-mails to customers, in SQLite."""

from __future__ import annotations

from datetime import datetime
from typing import Final

from kitwright.keeping.record import Mail
from kitwright.store.rows import Session, moment, read_moment
from kitwright.store.table import PACKED, Table

_MAILS: Final = Table("mails", Mail, renamed={"to": "recipient"}, codecs={"body": PACKED})


class MailTables:
    """E-mails, as `kitwright.keeping.store.Mails` defines them."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def add(self, mail: Mail) -> Mail:
        """Add a new e-mail; return it with its number."""
        return _MAILS.add(self._session, mail)

    def get(self, number: int) -> Mail | None:
        """Return the e-mail of a number with its body, or None."""
        return _MAILS.get(self._session, number)

    def put(self, mail: Mail) -> None:
        """Replace an e-mail."""
        _MAILS.put(self._session, mail)

    def of_quote(self, quote: int) -> tuple[Mail, ...]:
        """Return the e-mails of a quote with their bodies, oldest first."""
        return _MAILS.find(self._session, "WHERE quote = ? ORDER BY number", (quote,))

    def to(self, address: str) -> tuple[Mail, ...]:
        """Return the e-mails to an address with their bodies, oldest first."""
        return _MAILS.find(
            self._session,
            "WHERE recipient = ? COLLATE NOCASE ORDER BY number",
            (address,),
        )

    def due(self, now: datetime, most: int) -> tuple[Mail, ...]:
        """Return the queued e-mails that are due, with their bodies, longest due first."""
        return _MAILS.find(
            self._session,
            "WHERE state = 'queued' AND next_at <= ? ORDER BY next_at, number LIMIT ?",
            (moment(now), most),
        )

    def soonest(self) -> datetime | None:
        """Return when the next queued e-mail is due; None if none waits."""
        row = self._session.row("SELECT min(next_at) FROM mails WHERE state = 'queued'")
        return None if row is None else read_moment(row[0])
