"""Order text: a parts order as plain text, and the data that all its documents share."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Final

from msgspec import Struct

from kitwright.catalogue.model import Contact, Shop
from kitwright.documents.layout import WIDTH, spread
from kitwright.language.scribe import Scribe
from kitwright.quote import Amount, Order

MOST_REFERENCES: Final = 12
"""The most revisions that are named beside a line."""


class MadeOrder(Struct, frozen=True, kw_only=True):
    """A parts order that was made: its id (O3), and the time of making it, on the shop's clock.

    `references` are the revisions that each line is for (Q12-3), `seller` is where the order goes.
    """

    order: Order
    id: str
    at: datetime
    references: tuple[tuple[str, ...], ...] = ()
    seller: Contact = Contact()

    @property
    def only(self) -> str | None:
        """The revision that the order is for, None if it is for several."""
        every = {name for names in self.references for name in names}
        return next(iter(every)) if len(every) == 1 else None

    def of_line(self, place: int) -> str:
        """Return the revisions that a line is for, the first of them if they are many."""
        names = self.references[place] if place < len(self.references) else ()
        more = ["..."] if len(names) > MOST_REFERENCES else []
        return ", ".join([*names[:MOST_REFERENCES], *more])


def delivery_lines(shop: Shop) -> tuple[str, ...]:
    """Return the address to which a shop's orders are delivered, line by line."""
    return shop.purchasing.deliver_to or (() if shop.contact is None else shop.contact.address)


def order_lines(shop: str, order: Order, scribe: Scribe) -> Iterator[str]:
    """Yield the lines of a shop's order: items, costs, stock and the total."""
    say = scribe.say
    yield "-" * WIDTH
    heading = say("PURCHASE ORDER  {supplier} ({id})", supplier=order.name, id=order.supplier)
    yield from spread(heading, shop)
    yield say(
        "If ordered by {time}: promised for {day}",
        time=deadline_of(order, scribe),
        day=scribe.day(order.promised),
    )
    yield "-" * WIDTH
    stocks = {
        "unknown": say("stock not known"),
        "back_order": say("back order"),
        "known": say("in stock"),
    }
    for line in order.lines:
        packs = f"{line.packs} x {line.pack_size}" if line.pack_size > 1 else f"{line.packs}"
        yield from spread(
            f"  {packs:>5}  {line.sku:<14} {line.name}", scribe.number(line.net.amount)
        )
        cost = scribe.money(line.unit_cost, line.net.currency)
        facts = {"item": line.item, "brand": line.brand, "cost": cost, "stock": stocks[line.stock]}
        yield " " * 9 + say("{item}, {brand}, at {cost}; {stock}", **facts)
    yield from _amount_line(say("Goods"), order.goods, scribe)
    for fee in order.fees:
        yield from _amount_line(scribe.phrase(fee.code), fee.amount, scribe)
    yield from _amount_line(say("Freight"), order.freight, scribe)
    yield from _amount_line(say("Total before tax"), order.net, scribe)


def deadline_of(order: Order, scribe: Scribe) -> str:
    """Return the time by which an order has to be placed, with its time zone if that differs from
    the shop's.
    """
    time = scribe.say_as("clock", "{time}", time=order.order_by)
    return time if order.time_zone is None else f"{time} ({order.time_zone})"


def _amount_line(label: str, amount: Amount, scribe: Scribe) -> Iterator[str]:
    """Yield a label with an amount at the right margin."""
    yield from spread(f"  {label}", scribe.amount(amount))
