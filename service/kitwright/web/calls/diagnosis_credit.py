"""Diagnosis credit: what a diagnosis that was billed on its own takes off the repair after all."""

from __future__ import annotations

from kitwright.keeping.life import revision_of
from kitwright.keeping.record import KeptQuote
from kitwright.keeping.set_off import declined_of, is_billed, set_off_by
from kitwright.keeping.store import Records
from kitwright.language.scribe import Scribe
from kitwright.quote import read_quote
from kitwright.stages.price import DIAGNOSTIC_CREDIT
from kitwright.web.calls.ids import QUOTE, written
from kitwright.web.calls.reckoning import QuoteIn
from kitwright.web.calls.wire import DiscountIn


def diagnosis_credit(records: Records, quote: KeptQuote) -> DiscountIn | None:
    """Return what the repair that was declined is reduced by if it is done after all: as much of
    the diagnosis that was billed as the offer would have credited. None if none was billed, or it
    was given back or is taken off an agreed quote already, or the shop credits nothing.
    """
    if not is_billed(records, quote) or set_off_by(records, quote.number) is not None:
        return None
    offered = read_quote(revision_of(records, quote, quote.shown).answer)
    credit = next((line for line in offered.lines if line.code == DIAGNOSTIC_CREDIT), None)
    if credit is None or credit.amount.money.minor >= 0:
        return None
    number = written(QUOTE, quote.number)
    reason = Scribe(offered.language).say("Diagnosis billed with quote {quote}", quote=number)
    return DiscountIn(reason=reason, by=number, amount=(-credit.amount.money).amount_text)


def taken_of(records: Records, asked: QuoteIn) -> frozenset[str]:
    """Return by whom those discounts of a quote are that take off a diagnosis which no other quote
    may take off: an agreed one does, or it was given back.
    """
    billed = {one.by: declined_of(records, one.by) for one in asked.discounts}
    return frozenset(
        by
        for by, quote in billed.items()
        if quote is not None
        and (not is_billed(records, quote) or set_off_by(records, quote.number) is not None)
    )
