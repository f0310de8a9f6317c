"""Events: the feed, its hooks and the deliveries that wait, in SQLite."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from msgspec import Struct, structs

from kitwright.keeping.record import DueDelivery, Event, Hook, Waiting
from kitwright.keeping.store import RecordDamaged
from kitwright.store.rows import Session, moment, waiting
from kitwright.store.seal import CHAIN, link_of
from kitwright.store.table import Numbered, Table


class HookTable(Numbered[Hook]):
    """Webhooks, as `kitwright.keeping.store.Hooks` defines them."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "hooks", Hook)

    def every(self) -> tuple[Hook, ...]:
        """Return all hooks, oldest first."""
        return self.select("ORDER BY number")

    def is_usable(self, number: int) -> bool:
        """Return whether a hook is active and not damaged."""
        return any(True for _ in self.sound("WHERE is_active AND number = ?", number))

    def active(self) -> tuple[Hook, ...]:
        """Return the active hooks except damaged ones, oldest first."""
        return tuple(self.sound("WHERE is_active ORDER BY number"))


class _Waiting(Struct, frozen=True, kw_only=True):
    """An event that waits for a hook."""

    hook: int
    event: int
    attempt: int
    next_at: datetime


class EventTable(Table[Event]):
    """The feed, as `kitwright.keeping.store.Events` defines it."""

    def __init__(self, session: Session, hooks: HookTable) -> None:
        super().__init__(session, "events", Event, key=("seq",), extra=(CHAIN,))
        self._hooks = hooks
        self._waiting = Table(session, "deliveries", _Waiting, key=("hook", "event"))

    def add(self, event: Event, only: int | None = None) -> Event:  # type: ignore[override]
        """Add an event; return it with its place in the feed."""
        # one writer, and no event is ever deleted: the next number leaves no gap in a generation
        link = self.session.value("SELECT chain FROM events ORDER BY seq DESC LIMIT 1") or b""
        kept = structs.replace(event, seq=self.session.next_number("events"))
        super().add(kept, chain=link_of(link, self._written(kept)))
        # the ledger has to say which links were revoked
        self.session.has_closed |= event.kind == "link.revoked"
        for number in self._takers(event.kind) if only is None else (only,):
            self._waiting.add(_Waiting(hook=number, event=kept.seq, attempt=1, next_at=event.at))
        return kept

    def _takers(self, kind: str) -> tuple[int, ...]:
        return tuple(
            hook.number for hook in self._hooks.active() if not hook.kinds or kind in hook.kinds
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
        """Return the due deliveries: for each active hook, the earliest event that is waiting.

        Damaged hooks, deliveries and events are set aside, and the rest goes on.
        """
        firsts = [
            (delivery, hook, event)
            for hook in self._hooks.active()
            for delivery, event in self._first(hook, now)
        ]
        firsts.sort(key=lambda first: (first[0].next_at, first[0].event))
        return tuple(
            DueDelivery(hook=hook, event=event, attempt=delivery.attempt)
            for delivery, hook, event in firsts[:most]
        )

    def _first(self, hook: Hook, now: datetime) -> Iterator[tuple[_Waiting, Event]]:
        """Yield the earliest due delivery of a hook and its event, if there is one."""
        found = self._waiting.sound(
            "WHERE hook = ? AND next_at <= ? ORDER BY event", hook.number, moment(now)
        )
        for delivery in found:
            event = self._sendable(delivery)
            if event is not None:
                yield delivery, event
                return

    def _sendable(self, delivery: _Waiting) -> Event | None:
        """Return the event of a delivery, None if it is damaged."""
        try:
            return self.get(delivery.event)
        except RecordDamaged as error:
            self.session.set_aside(error)
            return None

    def soonest(self) -> datetime | None:
        """Return when the next delivery is due; None if none waits."""
        for delivery in self._waiting.sound(
            "WHERE hook IN (SELECT number FROM hooks WHERE is_active) ORDER BY next_at, event"
        ):
            if self._hooks.is_usable(delivery.hook) and self._sendable(delivery) is not None:
                return delivery.next_at
        return None

    def waiting(self) -> Waiting:
        """Return the deliveries that wait for active hooks."""
        return waiting(
            self.session,
            "SELECT number, at FROM (SELECT count(*) AS number, min(event) AS first FROM deliveries"
            " JOIN hooks ON hooks.number = hook WHERE is_active) LEFT JOIN events ON seq = first",
        )

    def defer(self, hook: int, seq: int, next_at: datetime) -> None:
        """Postpone a delivery to a later time and count one more attempt."""
        waiting = self._waiting.get(hook, seq)
        if waiting is not None:
            attempt = waiting.attempt + 1
            self._waiting.put(structs.replace(waiting, attempt=attempt, next_at=next_at))

    def settle(self, hook: int, seq: int) -> None:
        """End a delivery: the event was posted or given up."""
        self.session.run("DELETE FROM deliveries WHERE hook = ? AND event = ?", (hook, seq))

    def deliveries(self) -> tuple[tuple[int, int], ...]:
        """Return all deliveries: the number of the hook, and the event's place."""
        found = self.session.rows("SELECT hook, event FROM deliveries ORDER BY event, hook")
        return tuple((hook, event) for hook, event in found)
