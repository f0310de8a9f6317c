"""Event wire: the struct of one event."""

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
    """A change: its place in the feed, what happened to which record, and who did it: a key (by its
    id), the customer by a link, or the service.
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
    """Return an event's wire struct."""
    kind, subject = subject_out(event.subject)
    return shaped(EventOut, event, subject_kind=kind, subject=subject)
