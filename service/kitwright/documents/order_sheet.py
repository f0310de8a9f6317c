"""A parts order as a printed sheet for one supplier."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal

from kitwright.documents.contact import Contact
from kitwright.documents.frame import Sheet, frame
from kitwright.documents.pick_list import cover_words
from kitwright.documents.press import press
from kitwright.language.scribe import Scribe
from kitwright.quote import Amount, Envelope, Order, OrderLine, Quote


def order_sheet_pdf(
    order: Order,
    paper: Quote,
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
        made_at: when it was made, by the clock where the shop is.
    """
    sheet = order_sheet(
        order, paper, envelope, scribe, letter=letter, made_at=made_at, contact=contact
    )
    return press().print("order_sheet.typ", sheet, at=made_at.astimezone(UTC))


def order_sheet(
    order: Order,
    paper: Quote,
    envelope: Envelope,
    scribe: Scribe,
    *,
    letter: str,
    made_at: datetime,
    contact: Contact,
) -> Sheet:
    """Return what the order's template shows."""
    say, day, zone = scribe.say, scribe.day(made_at.date()), order.time_zone
    return {
        **frame(say("Parts order"), paper, envelope, scribe, contact),
        "made": [made_at.year, made_at.month, made_at.day],
        "day": day,
        "words": {
            "to": say("To"),
            "ship": say("Send to"),
            "order": say("Order"),
            "lines": say("What is ordered"),
            "sku": say("Order number"),
            "item": say("Item"),
            "packs": say("Packs"),
            "cost": say("Price per pack"),
            "net": say("Without tax, {currency}", currency=order.net.currency),
            "for": say("For:"),
        },
        "supplier": [order.name, order.supplier],
        "dates": [
            [say("Order"), letter],
            [say("Reference"), f"{envelope.quote_id}-{envelope.revision}"],
            [say("Date"), day],
            [say("Order by"), order.order_by if zone is None else f"{order.order_by} ({zone})"],
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
    rows += [row(say("Fee: {fee}", fee=scribe.phrase(fee.code)), fee.amount) for fee in order.fees]
    if Decimal(order.freight.amount):
        rows.append(row(say("Freight"), order.freight))
    return [*rows, row(say("Together, without tax"), order.net, is_sum=True)]
