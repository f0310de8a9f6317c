"""Closing PDF: the account of a finished or stopped visit as a printed document."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, time

from kitwright.catalogue.model import Contact, Shop
from kitwright.documents.closing_view import Closing, closing_view
from kitwright.documents.frame import bare_frame, customer_lines, machine_rows
from kitwright.documents.press import Sheet, press, said
from kitwright.language.scribe import Scribe
from kitwright.quote import Envelope, Quote


def closing_pdf(
    quote: Quote, envelope: Envelope, closing: Closing, scribe: Scribe, *, shop: Shop
) -> bytes:
    """Return the account of a visit as PDF/UA-1, with the same facts as its page. The same account
    gives the same bytes.

    Args:
        quote: the revision that was agreed, or the last one if none was.
        envelope: whose it is, and for which machine.
        closing: its account.
        scribe: writes in the revision's language.
        shop: says where and when the machine is collected.
    """
    at = datetime.combine(closing.finished_on, time(), UTC)
    view, contact = closing_view(quote, closing, scribe, shop), shop.contact or Contact()
    number = scribe.say(
        "{quote}, revision {number}", quote=envelope.quote_id, number=envelope.revision
    )
    sheet: Sheet = {
        **bare_frame(scribe.say("Final account"), number, shop, scribe, contact, at),
        "said": said("closing.typ", scribe),
        "customer": customer_lines(envelope),
        "machine": machine_rows(quote, envelope, scribe),
        "outcome": view.heading,
        "told": view.told,
        "stake": [(fact.label, fact.whole, fact.is_sum) for fact in view.stake],
        "collect": view.collect,
        "mind": view.mind,
        "jobs": view.done,
        "rows": view.lines,
        "sums": [(*row, "plain") for row in view.sums[:-1]] + [(*view.sums[-1], "total")],
        "keep": [*filter(None, [view.guarantee]), " ".join(_bills(closing, scribe))],
    }
    return press().print("closing.typ", sheet, at=at)


def _bills(closing: Closing, scribe: Scribe) -> Iterator[str]:
    """Yield what counts for tax, because this does not."""
    yield scribe.say("This is not an invoice.")
    for bill in closing.bills:
        if bill.is_credit:
            yield scribe.say("Credit note: {number}.", number=bill.number)
        else:
            yield scribe.say("Invoice: {number}.", number=bill.number)
