"""API keys, secrets and answers that are given again, in SQLite."""

from __future__ import annotations

from datetime import datetime
from typing import Final

import msgspec

from kitwright.keeping.key import Scope
from kitwright.keeping.record import KeptAnswer, KeyRecord
from kitwright.store.rows import (
    Row,
    Session,
    day_or_none,
    moment,
    moment_or_none,
    packed,
    read_day_or_none,
    read_moment,
    read_moment_or_none,
    unpacked,
)

_KEY: Final = "id, name, scopes, hash, made_at, last_used_on, revoked_at"
_FORGET: Final = 20
"""How many expired answers go with each new one: more than come, so that they never pile up."""


class KeyTables:
    """API keys, as `kitwright.keeping.store.Keys` says."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def add(self, key: KeyRecord) -> None:
        """Keep a new key."""
        self._session.insert("keys", _columns(key))

    def get(self, id: str) -> KeyRecord | None:  # noqa: A002 - the word of the wire
        """Return a key."""
        row = self._session.row(f"SELECT {_KEY} FROM keys WHERE id = ?", (id,))
        return None if row is None else _key(row)

    def put(self, key: KeyRecord) -> None:
        """Replace a key."""
        self._session.update("keys", _columns(key), {"id": key.id})

    def every(self) -> tuple[KeyRecord, ...]:
        """Return all keys, oldest first."""
        return tuple(map(_key, self._session.rows(f"SELECT {_KEY} FROM keys ORDER BY place")))

    def secret(self, name: str) -> bytes | None:
        """Return a secret of the service's own."""
        row = self._session.row("SELECT value FROM secrets WHERE name = ?", (name,))
        return None if row is None else bytes(row[0])

    def add_secret(self, name: str, value: bytes) -> None:
        """Keep a secret of the service's own, once."""
        self._session.insert("secrets", {"name": name, "value": value})


class AnswerTables:
    """Answers that are given again, as `kitwright.keeping.store.Answers` says."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def get(self, key: str, idempotency_key: str, now: datetime) -> KeptAnswer | None:
        """Return an answer that has not expired."""
        row = self._session.row(
            "SELECT fingerprint, status, headers, body, expires_at FROM answers"
            " WHERE key = ? AND idempotency_key = ? AND expires_at > ?",
            (key, idempotency_key, moment(now)),
        )
        if row is None:
            return None
        return KeptAnswer(
            key=key,
            idempotency_key=idempotency_key,
            fingerprint=row[0],
            status=row[1],
            headers=msgspec.json.decode(row[2], type=dict[str, str]),
            body=unpacked(row[3]),
            expires_at=read_moment(row[4]),
        )

    def add(self, answer: KeptAnswer, now: datetime) -> None:
        """Keep an answer, in place of an expired one; forget some that have expired."""
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
        session.insert(
            "answers",
            {
                "key": answer.key,
                "idempotency_key": answer.idempotency_key,
                "fingerprint": answer.fingerprint,
                "status": answer.status,
                "headers": msgspec.json.encode(answer.headers).decode(),
                "body": packed(answer.body),
                "expires_at": moment(answer.expires_at),
            },
        )

    def forget(self) -> None:
        """Forget all answers, since what they hold was erased."""
        self._session.run("DELETE FROM answers")


def _columns(key: KeyRecord) -> dict[str, object]:
    return {
        "id": key.id,
        "name": key.name,
        "scopes": " ".join(sorted(scope.value for scope in key.scopes)),
        "hash": key.hash,
        "made_at": moment(key.made_at),
        "last_used_on": day_or_none(key.last_used_on),
        "revoked_at": moment_or_none(key.revoked_at),
    }


def _key(row: Row) -> KeyRecord:
    return KeyRecord(
        id=row[0],
        name=row[1],
        scopes=frozenset(map(Scope, row[2].split())),
        hash=bytes(row[3]),
        made_at=read_moment(row[4]),
        last_used_on=read_day_or_none(row[5]),
        revoked_at=read_moment_or_none(row[6]),
    )
