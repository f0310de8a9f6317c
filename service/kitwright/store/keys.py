"""Keys: API keys, secrets and the answers to calls with idempotency keys, in SQLite."""

from __future__ import annotations

from datetime import datetime
from typing import Final

from kitwright.keeping.key import Scope
from kitwright.keeping.record import KeptAnswer, KeyRecord
from kitwright.store.rows import Session, moment
from kitwright.store.table import PACKED, Table

_FORGET: Final = 20
"""How many expired answers are deleted with each new one: more than one, so that they can't pile
up.
"""


class KeyTable(Table[KeyRecord]):
    """API keys, as `kitwright.keeping.store.Keys` defines them."""

    def __init__(self, session: Session) -> None:
        scopes = (
            lambda scopes: " ".join(sorted(scopes)),
            lambda text: frozenset(map(Scope, text.split())),
        )
        super().__init__(session, "keys", KeyRecord, key=("id",), codecs={"scopes": scopes})

    def put(self, record: KeyRecord, **more: object) -> None:
        """Replace a key."""
        super().put(record, **more)
        self.session.has_closed |= record.revoked_at is not None

    def every(self) -> tuple[KeyRecord, ...]:
        """Return all keys, oldest first."""
        return self.select("ORDER BY place")

    def secret(self, name: str) -> bytes | None:
        """Return a secret of the service itself by its name, or None."""
        value: bytes | None
        value = self.session.value("SELECT value FROM secrets WHERE name = ?", (name,))
        return value

    def add_secret(self, name: str, value: bytes) -> None:
        """Add a secret of the service itself; it can't be replaced."""
        self.session.insert("secrets", {"name": name, "value": value})


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

    def forget(self) -> None:
        """Delete all answers, because the data that they hold was erased."""
        self._session.run("DELETE FROM answers")
