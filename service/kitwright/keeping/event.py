"""Event: one change, added to the feed in the transaction that makes it."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from msgspec import structs

from kitwright.keeping.kinds import EventKind
from kitwright.keeping.record import Event, KeptQuote, Stamp
from kitwright.keeping.store import Records


def add_event(
    records: Records,
    stamp: Stamp,
    kind: EventKind,
    subject: str,
    facts: Mapping[str, str | int | None] = MappingProxyType({}),
    *,
    only: int | None = None,
) -> Event:
    """Add an event of any subject for all hooks that take its kind, or for the hook `only`; return
    it.
    """
    return records.events.add(
        Event(
            seq=0,
            at=stamp.at,
            kind=kind,
            subject=subject,
            facts=dict(facts),
            hand=stamp.hand,
            by=stamp.by,
            request_id=stamp.request_id,
        ),
        only,
    )


def note_event(
    records: Records,
    stamp: Stamp,
    kind: EventKind,
    quote: KeptQuote,
    facts: Mapping[str, str | int | None] = MappingProxyType({}),
) -> None:
    """Add an event of a quote, with the quote's state, version and figures after the change."""
    gross = quote.gross
    add_event(
        records,
        stamp,
        kind,
        f"quote:{quote.number}",
        {
            "state": quote.state.value,
            "version": quote.version,
            "shown": quote.shown,
            "net": None if gross is None else quote.net.amount_text,
            "gross": None if gross is None else gross.amount_text,
            "currency": quote.net.currency,
            **facts,
        },
    )


def keep_change(
    records: Records,
    stamp: Stamp,
    kind: EventKind,
    before: KeptQuote,
    after: KeptQuote,
    facts: Mapping[str, str | int | None],
) -> KeptQuote:
    """Store a changed quote with its next version, and add its event; return the quote."""
    quote = structs.replace(after, version=before.version + 1, changed_at=stamp.at)
    records.quotes.put(quote)
    note_event(records, stamp, kind, quote, facts)
    return quote
