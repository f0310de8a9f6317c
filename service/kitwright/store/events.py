"""Events: the feed, its hooks and the deliveries that wait, in SQLite."""

from __future__ import annotations

from datetime import datetime
from typing import Final

from kitwright.keeping.record import DueDelivery, Event, Hook
from kitwright.store.rows import Session, moment, read_moment
from kitwright.store.table import Table

_EVENTS: Final = Table("events", Event, key=("seq",), number="seq")
_HOOKS: Final = Table("hooks", Hook)


class EventTables:
    """The feed, as `kitwright.keeping.store.Events` defines it."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def add(self, event: Event, only: int | None = None) -> Event:
        """Add an event; return it with its place in the feed."""
        session = self._session
        # one writer, and no event is ever deleted: the next number leaves no gap
        kept = _EVENTS.add(session, event)
        for number in self._takers(event.kind) if only is None else (only,):
            session.insert(
                "deliveries",
                {"hook": number, "event": kept.seq, "attempt": 1, "next_at": moment(event.at)},
            )
        return kept

    def _takers(self, kind: str) -> tuple[int, ...]:
        return tuple(
            hook.number
            for hook in self.hooks()
            if hook.is_active and (not hook.kinds or kind in hook.kinds)
        )

    def after(self, seq: int, most: int) -> tuple[Event, ...]:
        """Return at most `most` events in order, beginning after a place."""
        return _EVENTS.find(self._session, "WHERE seq > ? ORDER BY seq LIMIT ?", (seq, most))

    def of_subject(self, subject: str) -> tuple[Event, ...]:
        """Return all events of one subject, in order."""
        return _EVENTS.find(self._session, "WHERE subject = ? ORDER BY seq", (subject,))

    def last(self) -> int:
        """Return the place of the newest event, 0 where there is none."""
        row = self._session.row("SELECT coalesce(max(seq), 0) FROM events")
        return 0 if row is None else int(row[0])

    def add_hook(self, hook: Hook) -> Hook:
        """Add a new hook; return it with its number."""
        return _HOOKS.add(self._session, hook)

    def hook(self, number: int) -> Hook | None:
        """Return the hook of a number, or None."""
        return _HOOKS.get(self._session, number)

    def put_hook(self, hook: Hook) -> None:
        """Replace a hook."""
        _HOOKS.put(self._session, hook)

    def drop_hook(self, number: int) -> None:
        """Delete a hook and the deliveries that wait for it."""
        self._session.run("DELETE FROM hooks WHERE number = ?", (number,))

    def hooks(self) -> tuple[Hook, ...]:
        """Return all hooks, oldest first."""
        return _HOOKS.find(self._session, "ORDER BY number")

    def due(self, now: datetime, most: int) -> tuple[DueDelivery, ...]:
        """Return the due deliveries: for each active hook, the earliest event that is waiting."""
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
        """Return when the next delivery is due; None if none waits."""
        row = self._session.row(
            "SELECT min(next_at) FROM deliveries JOIN hooks ON hooks.number = hook WHERE is_active"
        )
        return None if row is None else read_moment(row[0])

    def defer(self, hook: int, seq: int, next_at: datetime) -> None:
        """Postpone a delivery to a later time and count one more attempt."""
        self._session.run(
            "UPDATE deliveries SET attempt = attempt + 1, next_at = ? WHERE hook = ? AND event = ?",
            (moment(next_at), hook, seq),
        )

    def settle(self, hook: int, seq: int) -> None:
        """End a delivery: the event was posted or given up."""
        self._session.run("DELETE FROM deliveries WHERE hook = ? AND event = ?", (hook, seq))
