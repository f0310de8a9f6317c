"""Events: the feed, its hooks and the deliveries that wait, in SQLite."""

from __future__ import annotations

from datetime import datetime

from kitwright.keeping.record import DueDelivery, Event, Hook
from kitwright.store.rows import Session, moment, read_moment
from kitwright.store.table import Numbered, Table


class HookTable(Numbered[Hook]):
    """Webhooks, as `kitwright.keeping.store.Hooks` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "hooks", Hook, is_counted=False)

    def every(self) -> tuple[Hook, ...]:
        """Return all hooks, oldest first."""
        return self.select("ORDER BY number")


class EventTable(Table[Event]):
    """The feed, as `kitwright.keeping.store.Events` defines it."""

    def __init__(self, session: Session, hooks: HookTable) -> None:
        super().__init__(session, "events", Event, key=("seq",), number="seq")
        self._hooks = hooks

    def add(self, event: Event, only: int | None = None) -> Event:  # type: ignore[override]
        """Add an event; return it with its place in the feed."""
        # one writer, and no event is ever deleted: the next number leaves no gap in a generation
        kept = super().add(event)
        for number in self._takers(event.kind) if only is None else (only,):
            self.session.insert(
                "deliveries",
                {"hook": number, "event": kept.seq, "attempt": 1, "next_at": moment(event.at)},
            )
        return kept

    def _takers(self, kind: str) -> tuple[int, ...]:
        return tuple(
            hook.number
            for hook in self._hooks.every()
            if hook.is_active and (not hook.kinds or kind in hook.kinds)
        )

    def after(self, seq: int, most: int) -> tuple[Event, ...]:
        """Return at most `most` events in order, beginning after a place."""
        return self.select("WHERE seq > ? ORDER BY seq LIMIT ?", seq, most)

    def of_subject(self, subject: str) -> tuple[Event, ...]:
        """Return all events of one subject, in order."""
        return self.select("WHERE subject = ? ORDER BY seq", subject)

    def last(self) -> int:
        """Return the place of the newest event, 0 where there is none."""
        return int(self.session.value("SELECT coalesce(max(seq), 0) FROM events"))

    def due(self, now: datetime, most: int) -> tuple[DueDelivery, ...]:
        """Return the due deliveries: for each active hook, the earliest event that is waiting."""
        found = self.session.rows(
            "SELECT hook, event, attempt FROM (SELECT hook, event, attempt, next_at,"
            " row_number() OVER (PARTITION BY hook ORDER BY event) AS place"
            " FROM deliveries JOIN hooks ON hooks.number = hook"
            " WHERE next_at <= ? AND is_active) WHERE place = 1 ORDER BY next_at, event LIMIT ?",
            (moment(now), most),
        )
        return tuple(
            DueDelivery(hook=hook, event=event, attempt=attempt)
            for number, seq, attempt in tuple(found)
            if (hook := self._hooks.get(number)) and (event := self.get(seq))
        )

    def soonest(self) -> datetime | None:
        """Return when the next delivery is due; None if none waits."""
        soonest = self.session.value(
            "SELECT min(next_at) FROM deliveries JOIN hooks ON hooks.number = hook WHERE is_active"
        )
        return read_moment(soonest)

    def defer(self, hook: int, seq: int, next_at: datetime) -> None:
        """Postpone a delivery to a later time and count one more attempt."""
        self.session.run(
            "UPDATE deliveries SET attempt = attempt + 1, next_at = ? WHERE hook = ? AND event = ?",
            (moment(next_at), hook, seq),
        )

    def settle(self, hook: int, seq: int) -> None:
        """End a delivery: the event was posted or given up."""
        self.session.run("DELETE FROM deliveries WHERE hook = ? AND event = ?", (hook, seq))

    def waiting(self) -> tuple[tuple[int, int], ...]:
        """Return all deliveries: the number of the hook, and the event's place."""
        found = self.session.rows("SELECT hook, event FROM deliveries ORDER BY event, hook")
        return tuple((hook, event) for hook, event in found)
