"""The feed of events, its hooks and what waits to be posted, in SQLite."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final

import msgspec
from msgspec import structs

from kitwright.keeping.record import DueDelivery, Event, Hand, Hook
from kitwright.store.rows import Row, Session, moment, read_moment

_EVENT: Final = "seq, at, kind, subject, facts, hand, by, request_id"
_HOOK: Final = "number, version, url, secret, kinds, is_active, failure, made_at"


class EventTables:
    """The feed, as `kitwright.keeping.store.Events` says."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def add(self, event: Event, only: int | None = None) -> Event:
        """Keep an event; return it with its place in the feed."""
        session = self._session
        # one writer, and none is ever deleted: the next number leaves no gap
        seq = session.insert(
            "events",
            {
                "at": moment(event.at),
                "kind": event.kind,
                "subject": event.subject,
                "facts": msgspec.json.encode(event.facts).decode(),
                "hand": event.hand.value,
                "by": event.by,
                "request_id": event.request_id,
            },
        )
        for number in self._takers(event.kind) if only is None else (only,):
            session.insert(
                "deliveries",
                {"hook": number, "event": seq, "attempt": 1, "next_at": moment(event.at)},
            )
        return structs.replace(event, seq=seq)

    def _takers(self, kind: str) -> tuple[int, ...]:
        return tuple(
            hook.number
            for hook in self.hooks()
            if hook.is_active and (not hook.kinds or kind in hook.kinds)
        )

    def after(self, seq: int, most: int) -> tuple[Event, ...]:
        """Return events in order, from the first after a place."""
        found = self._session.rows(
            f"SELECT {_EVENT} FROM events WHERE seq > ? ORDER BY seq LIMIT ?", (seq, most)
        )
        return tuple(map(_event, found))

    def of_subject(self, subject: str) -> tuple[Event, ...]:
        """Return all events of one subject, in order."""
        found = self._session.rows(
            f"SELECT {_EVENT} FROM events WHERE subject = ? ORDER BY seq", (subject,)
        )
        return tuple(map(_event, found))

    def last(self) -> int:
        """Return the place of the newest event, 0 where there is none."""
        row = self._session.row("SELECT coalesce(max(seq), 0) FROM events")
        return 0 if row is None else int(row[0])

    def add_hook(self, hook: Hook) -> Hook:
        """Keep a new hook; return it with its number."""
        return structs.replace(hook, number=self._session.insert("hooks", _columns(hook)))

    def hook(self, number: int) -> Hook | None:
        """Return a hook."""
        row = self._session.row(f"SELECT {_HOOK} FROM hooks WHERE number = ?", (number,))
        return None if row is None else _hook(row)

    def put_hook(self, hook: Hook) -> None:
        """Replace a hook."""
        self._session.update("hooks", _columns(hook), {"number": hook.number})

    def drop_hook(self, number: int) -> None:
        """Forget a hook, and what waits for it."""
        self._session.run("DELETE FROM hooks WHERE number = ?", (number,))

    def hooks(self) -> tuple[Hook, ...]:
        """Return all hooks, oldest first."""
        return tuple(map(_hook, self._session.rows(f"SELECT {_HOOK} FROM hooks ORDER BY number")))

    def due(self, now: datetime, most: int) -> tuple[DueDelivery, ...]:
        """Return what is to be posted by now: of each active hook the first of the feed."""
        found = self._session.rows(
            "SELECT hook, event, attempt FROM (SELECT hook, event, attempt, next_at,"
            " row_number() OVER (PARTITION BY hook ORDER BY event) AS place"
            " FROM deliveries JOIN hooks ON hooks.number = hook"
            " WHERE next_at <= ? AND is_active) WHERE place = 1 ORDER BY next_at, event LIMIT ?",
            (moment(now), most),
        )
        due = []
        for number, seq, attempt in tuple(found):
            hook, events = self.hook(number), self.after(seq - 1, 1)
            if hook is not None and events:
                due.append(DueDelivery(hook=hook, event=events[0], attempt=attempt))
        return tuple(due)

    def soonest(self) -> datetime | None:
        """Return when the next post is due."""
        row = self._session.row(
            "SELECT min(next_at) FROM deliveries JOIN hooks ON hooks.number = hook WHERE is_active"
        )
        return None if row is None or row[0] is None else read_moment(row[0])

    def defer(self, hook: int, seq: int, next_at: datetime) -> None:
        """Try an event again later: its attempt counts one more."""
        self._session.run(
            "UPDATE deliveries SET attempt = attempt + 1, next_at = ? WHERE hook = ? AND event = ?",
            (moment(next_at), hook, seq),
        )

    def settle(self, hook: int, seq: int) -> None:
        """Wait with an event no more: it was posted, or given up."""
        self._session.run("DELETE FROM deliveries WHERE hook = ? AND event = ?", (hook, seq))


def _event(row: Row) -> Event:
    facts: dict[str, Any] = msgspec.json.decode(row[4])
    return Event(
        seq=row[0],
        at=read_moment(row[1]),
        kind=row[2],
        subject=row[3],
        facts=facts,
        hand=Hand(row[5]),
        by=row[6],
        request_id=row[7],
    )


def _columns(hook: Hook) -> dict[str, object]:
    return {
        "number": hook.number or None,
        "version": hook.version,
        "url": hook.url,
        "secret": hook.secret,
        "kinds": msgspec.json.encode(hook.kinds).decode(),
        "is_active": int(hook.is_active),
        "failure": hook.failure,
        "made_at": moment(hook.made_at),
    }


def _hook(row: Row) -> Hook:
    return Hook(
        number=row[0],
        version=row[1],
        url=row[2],
        secret=row[3],
        kinds=msgspec.json.decode(row[4], type=tuple[str, ...]),
        is_active=bool(row[5]),
        failure=row[6],
        made_at=read_moment(row[7]),
    )
