"""Diagnosis credit: what a diagnosis that was billed on its own takes off the repair after all."""

from __future__ import annotations

from kitwright.keeping.accounts import account_of
from kitwright.keeping.life import revision_of
from kitwright.keeping.record import KeptQuote, QuoteState
from kitwright.keeping.store import Records
from kitwright.language.scribe import Scribe
from kitwright.quote import read_quote, read_statement
from kitwright.stages.price import DIAGNOSTIC_CREDIT, DIAGNOSTIC_FEE
from kitwright.web.calls.ids import QUOTE, written
from kitwright.web.calls.wire import DiscountIn


def diagnosis_credit(records: Records, quote: KeptQuote) -> DiscountIn | None:
    """Return what the repair that was declined is reduced by if it is done after all: as much of
    the diagnosis that was billed as the offer would have credited. None if none was billed, or it
    was given back, or the shop credits nothing.
    """
    kept = records.statements.get(quote.number)
    if quote.state is not QuoteState.done or quote.agreed is not None or kept is None:
        return None
    statement = read_statement(kept.body)
    billed = any(line.code == DIAGNOSTIC_FEE and line.quantity != "0" for line in statement.lines)
    if not billed or account_of(records, quote).due.minor <= 0:
        return None
    offered = read_quote(revision_of(records, quote, quote.shown).answer)
    credit = next((line for line in offered.lines if line.code == DIAGNOSTIC_CREDIT), None)
    if credit is None or credit.amount.money.minor >= 0:
        return None
    number = written(QUOTE, quote.number)
    reason = Scribe(offered.language).say("Diagnosis billed with quote {quote}", quote=number)
    return DiscountIn(reason=reason, by=number, amount=(-credit.amount.money).amount_text)
