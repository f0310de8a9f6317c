"""Mails to customers, in SQLite."""

from __future__ import annotations

from datetime import datetime
from typing import Final

from msgspec import structs

from kitwright.keeping.record import Mail, MailState
from kitwright.store.rows import (
    Row,
    Session,
    moment,
    moment_or_none,
    packed,
    read_moment,
    read_moment_or_none,
    unpacked,
)

_MAIL: Final = (
    "number, quote, revision, recipient, message_id, body, state, attempts, next_at, failure,"
    " made_at, sent_at"
)


class MailTables:
    """Mails, as `kitwright.keeping.store.Mails` says."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def add(self, mail: Mail) -> Mail:
        """Keep a new mail; return it with its number."""
        columns = {**_columns(mail), "number": None}
        return structs.replace(mail, number=self._session.insert("mails", columns))

    def get(self, number: int) -> Mail | None:
        """Return a mail with its body."""
        row = self._session.row(f"SELECT {_MAIL} FROM mails WHERE number = ?", (number,))
        return None if row is None else _mail(row)

    def put(self, mail: Mail) -> None:
        """Replace a mail."""
        self._session.update("mails", _columns(mail), {"number": mail.number})

    def of_quote(self, quote: int) -> tuple[Mail, ...]:
        """Return the mails of a quote with their bodies, oldest first."""
        found = self._session.rows(
            f"SELECT {_MAIL} FROM mails WHERE quote = ? ORDER BY number", (quote,)
        )
        return tuple(map(_mail, found))

    def to(self, address: str) -> tuple[Mail, ...]:
        """Return the mails to an address with their bodies, oldest first."""
        found = self._session.rows(
            f"SELECT {_MAIL} FROM mails WHERE recipient = ? COLLATE NOCASE ORDER BY number",
            (address,),
        )
        return tuple(map(_mail, found))

    def due(self, now: datetime, most: int) -> tuple[Mail, ...]:
        """Return queued mails whose time has come, with their bodies, the longest due first."""
        found = self._session.rows(
            f"SELECT {_MAIL} FROM mails WHERE state = 'queued' AND next_at <= ?"
            " ORDER BY next_at, number LIMIT ?",
            (moment(now), most),
        )
        return tuple(map(_mail, found))

    def soonest(self) -> datetime | None:
        """Return when the next queued mail is due; None where none waits."""
        row = self._session.row("SELECT min(next_at) FROM mails WHERE state = 'queued'")
        return None if row is None else read_moment_or_none(row[0])


def _columns(mail: Mail) -> dict[str, object]:
    return {
        "number": mail.number,
        "quote": mail.quote,
        "revision": mail.revision,
        "recipient": mail.to,
        "message_id": mail.message_id,
        "body": packed(mail.body),
        "state": mail.state.value,
        "attempts": mail.attempts,
        "next_at": moment_or_none(mail.next_at),
        "failure": mail.failure,
        "made_at": moment(mail.made_at),
        "sent_at": moment_or_none(mail.sent_at),
    }


def _mail(row: Row) -> Mail:
    return Mail(
        number=row[0],
        quote=row[1],
        revision=row[2],
        to=row[3],
        message_id=row[4],
        body=unpacked(row[5]),
        state=MailState(row[6]),
        attempts=row[7],
        next_at=read_moment_or_none(row[8]),
        failure=row[9],
        made_at=read_moment(row[10]),
        sent_at=read_moment_or_none(row[11]),
    )
