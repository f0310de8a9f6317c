"""Feed: every change of every record, in the order in which they were made."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Final

import msgspec
from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, structs

from kitwright.keeping.key import Scope
from kitwright.keeping.record import Event, Hand
from kitwright.keeping.store import Records
from kitwright.quote import Count
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.handlers import Call, Reply, reading
from kitwright.web.calls.operations import Operation
from kitwright.web.calls.out import Out
from kitwright.web.calls.quote_wire import EventOut, event_out
from kitwright.web.edge.shapes import Wire

_PROBLEMS: Final = ("query-invalid", "not-acceptable", "storage-unavailable")


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


FEED: Final = Operation(
    method="get",
    path="/v1/events",
    id="listEvents",
    tag="events",
    summary="What happened since",
    description=(
        "Every change of every record, in the order in which they were made. Ask again with "
        "`after` as `last` was answered: then no event is missed, and none comes twice. An event "
        "names records and figures, never a person."
    ),
    answers=EventsOut,
    query=FeedQuery,
    problems=_PROBLEMS,
)
AUDIT: Final = Operation(
    method="get",
    path="/v1/audit",
    id="listAudit",
    tag="events",
    summary="Who did what",
    description=(
        "The same feed for the owner: with each event the name of the key whose doing it was, "
        "also of a revoked one. `request_id` leads to the request's line in the log."
    ),
    answers=AuditOut,
    query=FeedQuery,
    problems=_PROBLEMS,
    scope=Scope.OWNER,
)
OPERATIONS: Final = (FEED, AUDIT)


def make_handlers(desk: Desk) -> Iterator[HTTPRouteHandler]:
    """Yield the handlers of this module's operations."""
    yield reading(FEED, desk, _feed)
    yield reading(AUDIT, desk, _audit)


def _feed(records: Records, call: Call) -> Reply:
    asked = call.query(FeedQuery)
    found = records.events.after(asked.after, asked.limit)
    body = EventsOut(
        items=tuple(map(event_out, found)),
        last=found[-1].seq if found else asked.after,
        newest=records.events.last(),
    )
    return Reply(body=msgspec.json.encode(body))


def _audit(records: Records, call: Call) -> Reply:
    asked = call.query(FeedQuery)
    found = records.events.after(asked.after, asked.limit)
    names = {key.id: key.name for key in records.keys.every()}
    body = AuditOut(
        items=tuple(_audited(event, names) for event in found),
        last=found[-1].seq if found else asked.after,
        newest=records.events.last(),
    )
    return Reply(body=msgspec.json.encode(body))


def _audited(event: Event, names: dict[str, str]) -> AuditedOut:
    name = names.get(event.by) if event.hand is Hand.key else None
    return AuditedOut(**structs.asdict(event_out(event)), by_name=name)
