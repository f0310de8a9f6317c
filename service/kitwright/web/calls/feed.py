"""Feed: the calls that list every change of every record, in order."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta

from kitwright.keeping.key import Scope
from kitwright.keeping.record import Event, Hand
from kitwright.keeping.store import Records
from kitwright.quote import Count
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.shown import Out, extended
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Wire


class FeedQuery(Wire, frozen=True, kw_only=True):
    """Which events: those after a place in the feed, oldest first."""

    after: Annotated[
        int, Meta(ge=0, le=1_000_000_000, description="The place after which to continue.")
    ] = 0
    limit: Annotated[int, Meta(ge=1, le=1000, description="The most events to return.")] = 100


class EventsOut(Out, frozen=True, kw_only=True):
    """Events in the order of their places in the feed, which have no gaps.

    `last` is the place after which to continue: that of the last event here, or `after` if there is
    none. `newest` is the place of the newest event of all.
    """

    items: tuple[Event, ...]
    last: Count
    newest: Count


class AuditedOut(Event, frozen=True, kw_only=True):
    """An event, with the name of the key that caused it, null if no key did."""

    by_name: str | None


class AuditOut(Out, frozen=True, kw_only=True):
    """Events as in the feed, with the names of the keys that caused them."""

    items: tuple[AuditedOut, ...]
    last: Count
    newest: Count


@operation("GET /v1/events", "listEvents", "events")
def feed(records: Records, query: FeedQuery) -> Reply[EventsOut]:
    """List events.

    Every change of every record, in order. To continue, call again with `after` set to `last`: then
    no event is missed or repeated. Events name records and amounts, never people.
    """
    items = records.events.after(query.after, query.limit)
    last = items[-1].seq if items else query.after
    return Reply(body=EventsOut(items=items, last=last, newest=records.events.last()))


@operation("GET /v1/audit", "listAudit", "events", scope=Scope.OWNER)
def audit(records: Records, query: FeedQuery) -> Reply[AuditOut]:
    """List events with the keys that caused them.

    The same feed for the owner, with the name of the key that caused each event, also if it is
    revoked. `request_id` identifies the request's line in the log.
    """
    names = {key.id: key.name for key in records.keys.every()}
    items = tuple(
        extended(AuditedOut, event, by_name=names.get(event.by) if event.hand is Hand.key else None)
        for event in records.events.after(query.after, query.limit)
    )
    last = items[-1].seq if items else query.after
    return Reply(body=AuditOut(items=items, last=last, newest=records.events.last()))
