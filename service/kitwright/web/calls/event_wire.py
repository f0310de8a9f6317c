"""Events on the wire."""

from __future__ import annotations

from datetime import datetime

from kitwright.keeping.record import (
    Event,
    Hand,
)
from kitwright.quote import (
    Count,
    FactNumber,
)
from kitwright.web.calls.ids import (
    subject_out,
)
from kitwright.web.calls.out import Out
from kitwright.web.calls.shaped import shaped


class EventOut(Out, frozen=True, kw_only=True):
    """A change: its place in the feed, what happened to which record, and by whose hand: a key's
    (by its id), the customer's by a link, or the service's own.
    """

    seq: Count
    at: datetime
    kind: str
    subject_kind: str
    subject: str
    facts: dict[str, str | FactNumber | None]
    hand: Hand
    by: str
    request_id: str


def event_out(event: Event) -> EventOut:
    """Return an event."""
    kind, subject = subject_out(event.subject)
    return shaped(EventOut, event, subject_kind=kind, subject=subject)
