"""Event: one change, added to the feed in the transaction that makes it."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import TypeVar

from msgspec import structs

from kitwright.keeping.aftercare import Claim
from kitwright.keeping.generation import Origin
from kitwright.keeping.kinds import EventKind
from kitwright.keeping.record import Customer, Event, Hook, KeptQuote, Machine, Stamp
from kitwright.keeping.store import Kept, Records

R = TypeVar("R", Claim, Customer, Machine, Hook)
Facts = Mapping[str, str | int | None]


def add_event(
    records: Records,
    stamp: Stamp,
    kind: EventKind,
    subject: str,
    facts: Facts = MappingProxyType({}),
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


def origin_of(records: Records) -> Origin:
    """Return where the events of the feed come from."""
    generations = records.generations
    return Origin(shop=generations.belonging().shop, generations=generations.every())


def add_record(records: Records, stamp: Stamp, kind: EventKind, table: Kept[R], record: R) -> R:
    """Add a new record of a table with its event; return it with its number."""
    kept = table.add(record)
    add_event(records, stamp, kind, _subject(kind, kept), {"version": kept.version})
    return kept


def change_record(
    records: Records,
    stamp: Stamp,
    kind: EventKind,
    table: Kept[R],
    before: R,
    after: R,
    facts: Facts = MappingProxyType({}),
) -> R:
    """Store a changed record of a table as its next version, with its event; return the record."""
    kept = structs.replace(
        after, number=before.number, version=before.version + 1, made_at=before.made_at
    )
    table.put(kept)
    add_event(records, stamp, kind, _subject(kind, kept), {"version": kept.version, **facts})
    return kept


def _subject(kind: EventKind, record: R) -> str:
    return f"{kind.partition('.')[0]}:{record.number}"


def note_event(
    records: Records,
    stamp: Stamp,
    kind: EventKind,
    quote: KeptQuote,
    facts: Facts = MappingProxyType({}),
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
    quote: KeptQuote,
    facts: Facts = MappingProxyType({}),
    **changes: object,
) -> KeptQuote:
    """Store a quote with some changes as its next version, and add its event; return the quote."""
    kept = structs.replace(quote, version=quote.version + 1, changed_at=stamp.at, **changes)
    records.quotes.put(kept)
    note_event(records, stamp, kind, kept, facts)
    return kept
