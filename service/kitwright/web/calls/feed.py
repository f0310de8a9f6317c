"""Feed: every change of every record, in the order in which they were made."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta

from kitwright.keeping.key import Scope
from kitwright.keeping.record import Hand
from kitwright.keeping.store import Records
from kitwright.quote import Count
from kitwright.web.calls.call import Call
from kitwright.web.calls.declared import operation
from kitwright.web.calls.event_wire import EventOut, event_out
from kitwright.web.calls.out import Out
from kitwright.web.calls.shaped import shaped
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Wire


class FeedQuery(Wire, frozen=True, kw_only=True):
    """Which events: those after a place, oldest first."""

    after: Annotated[
        int, Meta(ge=0, le=1_000_000_000, description="The place to go on behind.")
    ] = 0
    limit: Annotated[int, Meta(ge=1, le=1000, description="How many at most.")] = 100


class EventsOut(Out, frozen=True, kw_only=True):
    """Events in the order of their places, which have no gap.

    `last` is the place to go on behind: of the last event here, or as it was asked where there is
    none. `newest` is the place of the newest event of all.
    """

    items: tuple[EventOut, ...]
    last: Count
    newest: Count


class AuditedOut(EventOut, frozen=True, kw_only=True):
    """An event, with the name of the key whose doing it was, null where it was no key's."""

    by_name: str | None


class AuditOut(Out, frozen=True, kw_only=True):
    """Events as in the feed, with who did them."""

    items: tuple[AuditedOut, ...]
    last: Count
    newest: Count


@operation("GET /v1/events", "listEvents", "events")
def feed(records: Records, _: Call, query: FeedQuery) -> Reply[EventsOut]:
    """What happened since.

    Every change of every record, in the order in which they were made. Ask again with `after` as
    `last` was answered: then no event is missed, and none comes twice. An event names records and
    figures, never a person.
    """
    items = tuple(map(event_out, records.events.after(query.after, query.limit)))
    last = items[-1].seq if items else query.after
    return Reply(body=EventsOut(items=items, last=last, newest=records.events.last()))


@operation("GET /v1/audit", "listAudit", "events", scope=Scope.OWNER)
def audit(records: Records, _: Call, query: FeedQuery) -> Reply[AuditOut]:
    """Who did what.

    The same feed for the owner: with each event the name of the key whose doing it was, also of a
    revoked one. `request_id` leads to the request's line in the log.
    """
    names = {key.id: key.name for key in records.keys.every()}
    items = tuple(
        shaped(
            AuditedOut,
            event_out(event),
            by_name=names.get(event.by) if event.hand is Hand.key else None,
        )
        for event in records.events.after(query.after, query.limit)
    )
    last = items[-1].seq if items else query.after
    return Reply(body=AuditOut(items=items, last=last, newest=records.events.last()))
