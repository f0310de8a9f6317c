"""Posting: the store's queue of events for the pump of webhooks."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final

import msgspec
from msgspec import Struct, structs

from kitwright.keeping.event import origin_of
from kitwright.keeping.generation import Origin
from kitwright.keeping.record import DueDelivery, Event
from kitwright.keeping.store import Records, Store
from kitwright.outbound.post import Outcome
from kitwright.outbound.pump import Delivery
from kitwright.web.calls.posted import posted
from kitwright.web.calls.shown import as_shown

_LAST_ATTEMPT: Final = "given up after the last attempt: "


class StoredOutbox(Struct, frozen=True):
    """The deliveries of a store; implements `kitwright.outbound.pump.Outbox`."""

    store: Store

    def due(self, now: datetime, most: int) -> Sequence[Delivery]:
        """Return at most `most` deliveries that are due at `now`, the longest due first."""

        def find(records: Records) -> Sequence[Delivery]:
            if records.generations.current().is_held:
                return ()
            origin = origin_of(records)
            return tuple(_delivery(due, origin) for due in records.events.due(now, most))

        return self.store.read(find)

    async def settle(self, delivery: Delivery, outcome: Outcome, next_at: datetime | None) -> None:
        """Record the outcome of an attempt."""
        number, place = map(int, delivery.id.split("_")[-2:])

        def settle(records: Records) -> None:
            kept = records.hooks.get(number)
            if kept is None:
                return
            if kept.url != delivery.url and not outcome.is_delivered:
                # it failed at an address that the hook has left, so it is still due at the new one
                return
            if next_at is None or outcome.is_gone:
                records.events.settle(number, place)
            else:
                records.events.defer(number, place, next_at)
            failure = None if outcome.is_delivered else outcome.detail
            if failure is not None and next_at is None and not outcome.is_gone:
                failure = _LAST_ATTEMPT + failure
            is_active = kept.is_active and not outcome.is_gone
            if (failure, is_active) != (kept.failure, kept.is_active):
                records.hooks.put(
                    structs.replace(
                        kept, failure=failure, is_active=is_active, version=kept.version + 1
                    )
                )

        await self.store.write(settle)

    def soonest(self) -> datetime | None:
        """Return when the next delivery is due, None if none is waiting or all are held."""

        def find(records: Records) -> datetime | None:
            is_held = records.generations.current().is_held
            return None if is_held else records.events.soonest()

        return self.store.read(find)


def _delivery(due: DueDelivery, origin: Origin) -> Delivery:
    return Delivery(
        hook=str(due.hook.number),
        id=origin.delivery_id(due.hook.number, due.event.seq),
        url=due.hook.url,
        secrets=(due.hook.secret,),
        body=message(due.event, origin),
        attempt=due.attempt,
    )


def message(event: Event, origin: Origin) -> bytes:
    """Return the body that is posted for an event, in the payload format of Standard Webhooks."""
    return msgspec.json.encode(as_shown(posted(event, origin)))
