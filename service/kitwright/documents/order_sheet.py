"""Order sheet: a parts order as the printed purchase order for its supplier."""

from __future__ import annotations

from datetime import UTC

from kitwright.catalogue.model import Contact
from kitwright.documents.frame import bare_frame
from kitwright.documents.order_text import MadeOrder, deadline_of
from kitwright.documents.pick_list import roles_of
from kitwright.documents.press import Sheet, press, said
from kitwright.documents.totals_view import Row, row
from kitwright.language.scribe import Scribe
from kitwright.quote import Envelope, Order, OrderLine, Quote


def order_sheet_pdf(
    made: MadeOrder, quote: Quote, envelope: Envelope, scribe: Scribe, *, contact: Contact
) -> bytes:
    """Return one supplier's order of a revision as PDF/UA-1. It names no customer."""
    sheet = order_sheet(made, quote, envelope, scribe, contact=contact)
    return press().print("order_sheet.typ", sheet, at=made.at.astimezone(UTC))


def order_sheet(
    made: MadeOrder, quote: Quote, envelope: Envelope, scribe: Scribe, *, contact: Contact
) -> Sheet:
    """Return the data of the order's template."""
    say, order = scribe.say, made.order
    return {
        **bare_frame(say("Purchase order"), made.id, quote, scribe, contact, made.at),
        "said": said("order_sheet.typ", scribe),
        "made": [made.at.year, made.at.month, made.at.day],
        "currency": order.net.currency,
        "supplier": [order.name, order.supplier],
        "dates": [
            (say("Our reference"), envelope.name),
            (say("Date"), scribe.day(made.at.date())),
            (say("Order by"), deadline_of(order, scribe)),
            (say("Promised"), scribe.day(order.promised)),
        ],
        "rows": [_row(line, scribe) for line in order.lines],
        "totals": _totals(order, scribe),
    }


def _row(line: OrderLine, scribe: Scribe) -> Sheet:
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
        "cost": scribe.money(line.unit_cost, line.net.currency),
        "net": scribe.amount(line.net),
        "promised": scribe.say("promised {day}", day=scribe.day(line.promised)),
        "for": "; ".join(roles_of(line.covers, scribe)),
    }


def _totals(order: Order, scribe: Scribe) -> list[Row]:
    """Return the rows below the lines; there is none for freight if it is free."""
    say = scribe.say
    rows = [row(say("Goods"), order.goods, scribe)]
    rows += [row(scribe.phrase(fee.code), fee.amount, scribe) for fee in order.fees]
    if order.freight.money.minor:
        rows.append(row(say("Freight"), order.freight, scribe))
    return [*rows, row(say("Total before tax"), order.net, scribe, "total")]
