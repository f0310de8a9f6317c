"""Posted: the message that is posted to a webhook for an event."""

from __future__ import annotations

from datetime import datetime

from kitwright.keeping.generation import Origin
from kitwright.keeping.kinds import EventKind
from kitwright.keeping.record import Event
from kitwright.web.calls.shown import EventOut, Out, identified


class PostedOut(Out, frozen=True, kw_only=True):
    """The message that is posted for an event, as Standard Webhooks defines it: the event's kind
    (`type`), its time, and the event as the feed has it (`data`).
    """

    type: EventKind
    timestamp: datetime
    data: EventOut


def posted(event: Event, origin: Origin) -> PostedOut:
    """Return the message for an event."""
    return PostedOut(
        type=event.kind,  # type: ignore[arg-type]
        timestamp=event.at,
        data=identified(event, origin),
    )
