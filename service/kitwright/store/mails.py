"""Mails to customers, in SQLite."""

from __future__ import annotations

from datetime import datetime
from typing import Final

from kitwright.keeping.record import Mail
from kitwright.store.rows import Session, moment, read_moment
from kitwright.store.table import PACKED, Table

_MAILS: Final = Table("mails", Mail, renamed={"to": "recipient"}, codecs={"body": PACKED})


class MailTables:
    """Mails, as `kitwright.keeping.store.Mails` says."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def add(self, mail: Mail) -> Mail:
        """Keep a new mail; return it with its number."""
        return _MAILS.add(self._session, mail)

    def get(self, number: int) -> Mail | None:
        """Return a mail with its body."""
        return _MAILS.get(self._session, number)

    def put(self, mail: Mail) -> None:
        """Replace a mail."""
        _MAILS.put(self._session, mail)

    def of_quote(self, quote: int) -> tuple[Mail, ...]:
        """Return the mails of a quote with their bodies, oldest first."""
        return _MAILS.find(self._session, "WHERE quote = ? ORDER BY number", (quote,))

    def to(self, address: str) -> tuple[Mail, ...]:
        """Return the mails to an address with their bodies, oldest first."""
        return _MAILS.find(
            self._session,
            "WHERE recipient = ? COLLATE NOCASE ORDER BY number",
            (address,),
        )

    def due(self, now: datetime, most: int) -> tuple[Mail, ...]:
        """Return queued mails whose time has come, with their bodies, the longest due first."""
        return _MAILS.find(
            self._session,
            "WHERE state = 'queued' AND next_at <= ? ORDER BY next_at, number LIMIT ?",
            (moment(now), most),
        )

    def soonest(self) -> datetime | None:
        """Return when the next queued mail is due; None where none waits."""
        row = self._session.row("SELECT min(next_at) FROM mails WHERE state = 'queued'")
        return None if row is None else read_moment(row[0])
