"""Advances: what customers pay before their parts are ordered."""

from __future__ import annotations

from msgspec import structs

from kitwright.keeping.acts import check_act
from kitwright.keeping.event import Facts, keep_change
from kitwright.keeping.record import Advance, KeptQuote, Stamp
from kitwright.keeping.store import Records


def record_advance(records: Records, stamp: Stamp, quote: KeptQuote, advance: Advance) -> KeptQuote:
    """Return a quote for which an advance was paid. Raises: NotNow."""
    check_act("advance", quote)
    kept = records.advances.add(
        structs.replace(advance, quote=quote.number, at=stamp.at, day=stamp.today)
    )
    facts: Facts = {"advance": kept.number, "amount": kept.amount.amount_text}
    return keep_change(records, stamp, "quote.advance", quote, facts)
