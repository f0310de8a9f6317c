"""Keys: API keys, secrets and the answers to calls with idempotency keys, in SQLite."""

from __future__ import annotations

from datetime import datetime
from typing import Final

from kitwright.keeping.key import Scope
from kitwright.keeping.record import KeptAnswer, KeyRecord
from kitwright.store.rows import Session, moment
from kitwright.store.table import PACKED, Table

_KEYS: Final = Table(
    "keys",
    KeyRecord,
    key=("id",),
    number="",
    codecs={
        "scopes": (
            lambda scopes: " ".join(sorted(scopes)),
            lambda text: frozenset(map(Scope, text.split())),
        )
    },
)
_ANSWERS: Final = Table(
    "answers",
    KeptAnswer,
    key=("key", "idempotency_key"),
    number="",
    codecs={"body": PACKED},
)
_FORGET: Final = 20
"""How many expired answers are deleted with each new one: more than one, so that they can't pile
up.
"""


class KeyTables:
    """API keys, as `kitwright.keeping.store.Keys` defines them."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def add(self, key: KeyRecord) -> None:
        """Add a new key."""
        _KEYS.add(self._session, key)

    def get(self, id: str) -> KeyRecord | None:  # noqa: A002 - the word of the wire
        """Return the key of an id, or None."""
        return _KEYS.get(self._session, id)

    def put(self, key: KeyRecord) -> None:
        """Replace a key."""
        _KEYS.put(self._session, key)

    def every(self) -> tuple[KeyRecord, ...]:
        """Return all keys, oldest first."""
        return _KEYS.find(self._session, "ORDER BY place")

    def secret(self, name: str) -> bytes | None:
        """Return a secret of the service itself by its name, or None."""
        row = self._session.row("SELECT value FROM secrets WHERE name = ?", (name,))
        return None if row is None else bytes(row[0])

    def add_secret(self, name: str, value: bytes) -> None:
        """Add a secret of the service itself; it can't be replaced."""
        self._session.insert("secrets", {"name": name, "value": value})


class AnswerTables:
    """Stored answers, as `kitwright.keeping.store.Answers` defines them."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def get(self, key: str, idempotency_key: str, now: datetime) -> KeptAnswer | None:
        """Return an answer that has not expired, or None."""
        found = _ANSWERS.find(
            self._session,
            "WHERE key = ? AND idempotency_key = ? AND expires_at > ?",
            (key, idempotency_key, moment(now)),
        )
        return found[0] if found else None

    def add(self, answer: KeptAnswer, now: datetime) -> None:
        """Add an answer, in place of an expired one; delete some that have expired."""
        session = self._session
        session.run(
            "DELETE FROM answers WHERE rowid IN (SELECT rowid FROM answers WHERE expires_at <= ?"
            " ORDER BY expires_at LIMIT ?)",
            (moment(now), _FORGET),
        )
        session.run(
            "DELETE FROM answers WHERE key = ? AND idempotency_key = ? AND expires_at <= ?",
            (answer.key, answer.idempotency_key, moment(now)),
        )
        _ANSWERS.add(session, answer)

    def forget(self) -> None:
        """Delete all answers, because the data that they hold was erased."""
        self._session.run("DELETE FROM answers")
