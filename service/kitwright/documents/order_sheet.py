"""Order sheet: a parts order as the printed purchase order for its supplier."""

from __future__ import annotations

from datetime import UTC

from kitwright.catalogue.model import Contact, Shop, SupplierId
from kitwright.documents.frame import bare_frame, contact_lines, reach_lines
from kitwright.documents.order_text import MadeOrder, delivery_lines
from kitwright.documents.pick_list import roles_of
from kitwright.documents.press import Sheet, press, said
from kitwright.documents.totals_view import Row, row
from kitwright.language.scribe import Scribe
from kitwright.quote import Order, OrderLine


def order_sheet_pdf(made: MadeOrder, shop: Shop, scribe: Scribe) -> bytes:
    """Return one supplier's order as PDF/UA-1. It names no customer."""
    sheet = order_sheet(made, shop, scribe)
    return press().print("order_sheet.typ", sheet, at=made.at.astimezone(UTC))


def order_sheet(made: MadeOrder, shop: Shop, scribe: Scribe) -> Sheet:
    """Return the data of the order's template."""
    say, order = scribe.say, made.order
    contact = shop.contact or Contact()
    account = shop.purchasing.accounts.get(SupplierId(order.supplier))
    return {
        **bare_frame(say("Purchase order"), made.id, shop, scribe, contact, made.at),
        "said": said("order_sheet.typ", scribe),
        "made": [made.at.year, made.at.month, made.at.day],
        "currency": order.net.currency,
        "supplier": [order.name, order.supplier],
        "seller": contact_lines(made.seller),
        "ship_to": [*delivery_lines(shop), *reach_lines(contact)],
        "dates": [
            *([(say("Our account"), account)] if account else []),
            (say("Our order no."), made.id),
            *([(say("Our job"), made.only)] if made.only else []),
            (say("Date"), scribe.day(made.at.date())),
            (say("Requested for"), scribe.day(order.promised)),
        ],
        "rows": [
            _row(line, "" if made.only else made.of_line(place), scribe)
            for place, line in enumerate(order.lines)
        ],
        "totals": _totals(order, scribe),
        "please": say(
            "Please give {order} on the delivery note and on the invoice.", order=made.id
        ),
    }


def _row(line: OrderLine, references: str, scribe: Scribe) -> Sheet:
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
        "requested": scribe.say("requested for {day}", day=scribe.day(line.promised)),
        "for": "; ".join(roles_of(line.covers, scribe)),
        "references": references,
    }


def _totals(order: Order, scribe: Scribe) -> list[Row]:
    """Return the rows below the lines; free freight is told, so that none is charged."""
    say = scribe.say
    rows = [row(say("Goods"), order.goods, scribe)]
    rows += [row(scribe.phrase(fee.code), fee.amount, scribe) for fee in order.fees]
    rows.append(row(say("Freight"), order.freight, scribe))
    return [*rows, row(say("Total before tax"), order.net, scribe, "total")]
