"""Keys: API keys, secrets and the answers to calls with idempotency keys, in SQLite."""

from __future__ import annotations

from datetime import datetime
from typing import Final

from msgspec import Struct

from kitwright.keeping.key import Scope
from kitwright.keeping.record import KeptAnswer, KeyRecord
from kitwright.store.rows import Session, moment
from kitwright.store.table import PACKED, Table

_FORGET: Final = 20
"""How many expired answers are deleted with each new one: more than one, so that they can't pile
up.
"""
_LARGEST_TRIAL: Final = 2**31 - 1


class _Secret(Struct, frozen=True, kw_only=True):
    """A secret of the service itself."""

    name: str
    value: bytes


class KeyTable(Table[KeyRecord]):
    """API keys, as `kitwright.keeping.store.Keys` defines them."""

    def __init__(self, session: Session) -> None:
        scopes = (
            lambda scopes: " ".join(sorted(scopes)),
            lambda text: frozenset(map(Scope, text.split())),
        )
        super().__init__(session, "keys", KeyRecord, key=("id",), codecs={"scopes": scopes})
        self._secrets = Table(session, "secrets", _Secret, key=("name",))

    def put(self, record: KeyRecord, **more: object) -> None:
        """Replace a key."""
        super().put(record, **more)
        self.session.has_closed |= record.revoked_at is not None

    def every(self) -> tuple[KeyRecord, ...]:
        """Return all keys, oldest first."""
        return self.select("ORDER BY place")

    def usable(self) -> tuple[KeyRecord, ...]:
        """Return all keys except damaged ones, which open nothing, oldest first."""
        return tuple(self.sound("ORDER BY place"))

    def secret(self, name: str) -> bytes | None:
        """Return a secret of the service itself by its name, or None."""
        kept = self._secrets.get(name)
        return None if kept is None else kept.value

    def add_secret(self, name: str, value: bytes) -> None:
        """Add a secret of the service itself; it can't be replaced."""
        self._secrets.add(_Secret(name=name, value=value))


class TrialTable:
    """The number that is written for trial, as `kitwright.keeping.store.Trial` defines it. It is in
    the head of the database's file, which is written as any page is.
    """

    def __init__(self, session: Session) -> None:
        self._session = session

    def write(self) -> int:
        """Write another number; return it."""
        number = self.read() % _LARGEST_TRIAL + 1
        self._session.run(f"PRAGMA user_version = {number}")
        return number

    def read(self) -> int:
        """Return the number written last, 0 if there is none."""
        return int(self._session.value("PRAGMA user_version"))


class AnswerTable:
    """Stored answers, as `kitwright.keeping.store.Answers` defines them."""

    def __init__(self, session: Session) -> None:
        key = ("key", "idempotency_key")
        self._session = session
        self._table = Table(session, "answers", KeptAnswer, key=key, codecs={"body": PACKED})

    def get(self, key: str, idempotency_key: str, now: datetime) -> KeptAnswer | None:
        """Return an answer that has not expired, or None."""
        answer = self._table.get(key, idempotency_key)
        return answer if answer is not None and answer.expires_at > now else None

    def add(self, answer: KeptAnswer, now: datetime) -> None:
        """Add an answer, in place of an expired one; delete some that have expired."""
        self._session.run(
            "DELETE FROM answers WHERE rowid IN (SELECT rowid FROM answers WHERE expires_at <= ?"
            " ORDER BY expires_at LIMIT ?)",
            (moment(now), _FORGET),
        )
        self._session.run(
            "DELETE FROM answers WHERE key = ? AND idempotency_key = ? AND expires_at <= ?",
            (answer.key, answer.idempotency_key, moment(now)),
        )
        self._table.add(answer)

    def forget(self, most: int) -> int:
        """Delete at most `most` answers, the oldest first; return how many were deleted."""
        return self._session.run(
            "DELETE FROM answers WHERE rowid IN (SELECT rowid FROM answers ORDER BY rowid LIMIT ?)",
            (most,),
        )
