"""Feed: the calls that list every change of every record, in order."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated

from msgspec import Meta

from kitwright.keeping.key import Scope
from kitwright.keeping.record import Event, Hand
from kitwright.keeping.store import RecordDamaged, Records
from kitwright.web.calls.call import Call
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.shown import EventOut, Out, Place, extended, traced
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Wire


class FeedQuery(Wire, frozen=True, kw_only=True):
    """Which events: those after a place in the feed, oldest first."""

    after: Annotated[
        str,
        Meta(
            pattern=r"^(([0-9a-f]{10}\.)?[0-9]{1,15}(?!\n))?$",
            description="The place after which to continue: `next` of the last answer. A number "
            "without an epoch is valid only until records are first restored. Empty: from the "
            "beginning.",
            extra={"wanted": "the value of next in an earlier answer"},
        ),
    ] = ""
    limit: Annotated[int, Meta(ge=1, le=1000, description="The most events to return.")] = 100


class EventsOut(Out, frozen=True, kw_only=True):
    """Events in the order of their places in the feed, which have no gaps, except where records
    were restored.

    `last` is the place of the last event here, or that of `after` if there is none, and `next` is
    the `after` with which to continue. `newest` is the place of the newest event of all.
    """

    items: tuple[EventOut, ...]
    last: Place
    newest: Place
    next: str


class AuditedOut(EventOut, frozen=True, kw_only=True):
    """An event, with the name of the key that caused it, null if no key did."""

    by_name: str | None


class AuditOut(Out, frozen=True, kw_only=True):
    """Events as in the feed, with the names of the keys that caused them."""

    items: tuple[AuditedOut, ...]
    last: Place
    newest: Place
    next: str


class EventDamaged(RecordDamaged):
    """An event that is no longer as it was added. The feed continues after it."""

    def __init__(self, table: str, key: tuple[object, ...], going_on: str) -> None:
        super().__init__(table, key)
        self.args = (
            f"{self}. Read again the records that you follow, and continue with after={going_on}",
        )


def _events(records: Records, call: Call, after: int, most: int) -> tuple[Event, ...]:
    """Return at most `most` events after a place: fewer if one of them is damaged, none of which
    is at that one or behind it.

    Raises: EventDamaged, if the first is damaged.
    """
    try:
        return records.events.after(after, most)
    except RecordDamaged as damage:
        if most > 1:
            return _events(records, call, after, most // 2)
        going_on = f"{call.desk.gate.epoch}.{'.'.join(map(str, damage.key))}"
        raise EventDamaged(damage.table, damage.key, going_on) from damage


def _known(records: Records, place: int, epoch: str, path: str) -> int:
    """Return a place, which is at most that of the newest event. Raises: Refusal."""
    newest = records.events.last()
    if place <= newest:
        return place
    going_on = f"{epoch}{newest}"
    raise Refusal(
        "feed-restarted",
        f"place {place} is after the newest event: read the records that you follow once more, and "
        f"continue with after={going_on}",
        headers={"Link": f'<{path}?after={going_on}>; rel="next"'},
    )


def _place(records: Records, after: str, path: str) -> int:
    """Return the place after which a feed continues. Raises: Refusal: feed-restarted.

    The caller's epoch has to be the current one. Otherwise the caller has read events that a
    restore may have undone.
    """
    generations = records.generations.every()
    epoch, _, number = after.rpartition(".")
    if not after or epoch == generations[-1].epoch or (not epoch and len(generations) == 1):
        return _known(records, int(number or 0), f"{generations[-1].epoch}.", path)
    seen = int(number)
    # the next generation after the caller's says which of its events were kept; nothing is known of
    # one that is lost
    own = epoch or generations[0].epoch
    later = [one for before, one in pairwise(generations) if before.epoch == own]
    shared = min(seen, later[0].after) if later else 0
    going_on = f"{generations[-1].epoch}.{shared}"
    if later and seen <= later[0].after:
        undone = "no event up to yours is undone:"
    else:
        which = f"events after place {shared} are undone" if later else "events may be undone"
        undone = f"{which}: read again the records that they named, and"
    taken_at = generations[-1].taken_at
    told = "" if taken_at is None else f" of {taken_at:%Y-%m-%d %H:%M:%S} UTC"
    raise Refusal(
        "feed-restarted",
        f"records were restored from a backup{told}; {undone} continue with after={going_on}",
        headers={"Link": f'<{path}?after={going_on}>; rel="next"'},
    )


@operation("GET /v1/events", "listEvents", "events", "feed-restarted")
def feed(records: Records, call: Call, query: FeedQuery) -> Reply[EventsOut]:
    """List events.

    Every change of every record, in order. To continue, call again with `after` set to `next`: then
    no event is missed or repeated. After a restore from a backup, the answer to an earlier `after`
    is 410, and says how to go on; so does the problem of a damaged event. Events name records and
    amounts, never people.
    """
    after = _place(records, query.after, call.operation.path)
    items = traced(records, _events(records, call, after, query.limit))
    last = items[-1].seq if items else after
    following = f"{call.desk.gate.epoch}.{last}"
    newest = records.events.last()
    return Reply(body=EventsOut(items=items, last=last, newest=newest, next=following))


@operation("GET /v1/audit", "listAudit", "events", "feed-restarted", scope=Scope.OWNER)
def audit(records: Records, call: Call, query: FeedQuery) -> Reply[AuditOut]:
    """List events with the keys that caused them.

    The same feed for the owner, with the name of the key that caused each event, also if it is
    revoked. `request_id` identifies the request's line in the log.
    """
    after = _place(records, query.after, call.operation.path)
    names = {key.id: key.name for key in records.keys.every()}
    items = tuple(
        extended(AuditedOut, event, by_name=names.get(event.by) if event.hand is Hand.key else None)
        for event in traced(records, _events(records, call, after, query.limit))
    )
    last = items[-1].seq if items else after
    following = f"{call.desk.gate.epoch}.{last}"
    newest = records.events.last()
    return Reply(body=AuditOut(items=items, last=last, newest=newest, next=following))
