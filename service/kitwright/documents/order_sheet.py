"""Purchase order: a parts order as a printed document for its supplier."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal

from kitwright.documents.contact import Contact
from kitwright.documents.frame import Sheet, bare_frame
from kitwright.documents.order_text import deadline_of
from kitwright.documents.pick_list import cover_words
from kitwright.documents.press import press
from kitwright.language.scribe import Scribe
from kitwright.quote import Amount, Envelope, Order, OrderLine, Quote


def order_sheet_pdf(
    order: Order,
    quote: Quote,
    envelope: Envelope,
    scribe: Scribe,
    *,
    letter: str,
    made_at: datetime,
    contact: Contact,
) -> bytes:
    """Return one supplier's order of a revision as PDF/UA-1. It names no customer.

    Args:
        letter: the order's own id, such as O3.
        made_at: when it was placed, by the shop's clock.
    """
    sheet = order_sheet(
        order, quote, envelope, scribe, letter=letter, made_at=made_at, contact=contact
    )
    return press().print("order_sheet.typ", sheet, at=made_at.astimezone(UTC))


def order_sheet(
    order: Order,
    quote: Quote,
    envelope: Envelope,
    scribe: Scribe,
    *,
    letter: str,
    made_at: datetime,
    contact: Contact,
) -> Sheet:
    """Return the content of the purchase order for its template."""
    say, day = scribe.say, scribe.day(made_at.date())
    return {
        **bare_frame(say("Purchase order"), letter, quote, scribe, contact, made_at),
        "made": [made_at.year, made_at.month, made_at.day],
        "day": day,
        "words": {
            "to": say("To"),
            "ship": say("Ship to"),
            "order": say("Order"),
            "lines": say("Items ordered"),
            "sku": say("Supplier part no."),
            "item": say("Item"),
            "packs": say("Packs"),
            "cost": say("Price per pack"),
            "net": say("Before tax, {currency}", currency=order.net.currency),
            "for": say("For:"),
        },
        "supplier": [order.name, order.supplier],
        "dates": [
            [say("Our reference"), f"{envelope.quote_id}-{envelope.revision}"],
            [say("Date"), day],
            [say("Order by"), deadline_of(order, scribe)],
            [say("Promised"), scribe.day(order.promised)],
        ],
        "rows": [_row(line, order.net.currency, scribe) for line in order.lines],
        "totals": _totals(order, scribe),
    }


def _row(line: OrderLine, currency: str, scribe: Scribe) -> Sheet:
    packs = scribe.number(str(line.packs))
    if line.pack_size != 1:
        size = scribe.number(str(line.pack_size))
        packs = scribe.say("{packs} of {size}", packs=packs, size=size)
    return {
        "sku": line.sku,
        "item": line.item,
        "name": line.name,
        "brand": line.brand,
        "packs": packs,
        "cost": scribe.money(line.unit_cost, currency),
        "net": scribe.money(line.net.amount, line.net.currency),
        "promised": scribe.say("promised {day}", day=scribe.day(line.promised)),
        "for": "; ".join(cover_words(line.covers, scribe)),
    }


def _totals(order: Order, scribe: Scribe) -> list[list[str | bool]]:
    """Return name, amount and whether it is the sum, for each row under the lines."""
    say = scribe.say

    def row(name: str, amount: Amount, is_sum: bool = False) -> list[str | bool]:
        return [name, scribe.money(amount.amount, amount.currency), is_sum]

    rows = [row(say("Goods"), order.goods)]
    rows += [row(scribe.phrase(fee.code), fee.amount) for fee in order.fees]
    if Decimal(order.freight.amount):
        rows.append(row(say("Freight"), order.freight))
    return [*rows, row(say("Total before tax"), order.net, is_sum=True)]
