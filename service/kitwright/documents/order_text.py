"""A parts order as plain text, for a terminal or a printer."""

from __future__ import annotations

from collections.abc import Iterator

from kitwright.documents.layout import WIDTH, spread
from kitwright.language.scribe import Scribe
from kitwright.money import Money
from kitwright.quote import Order


def order_lines(shop: str, order: Order, scribe: Scribe) -> Iterator[str]:
    """Yield a shop's order as lines: items, costs, availability and the total."""
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
        told = say(
            "{item}, {brand}, at {cost}; {stock}",
            item=line.item,
            brand=line.brand,
            cost=scribe.money(line.unit_cost, line.net.currency),
            stock=stocks[line.stock],
        )
        yield " " * 9 + told
    yield from amount_line(say("Goods"), order.goods.money, scribe)
    for fee in order.fees:
        yield from amount_line(scribe.phrase(fee.code), fee.amount.money, scribe)
    yield from amount_line(say("Freight"), order.freight.money, scribe)
    yield from amount_line(say("Total before tax"), order.net.money, scribe)


def deadline_of(order: Order, scribe: Scribe) -> str:
    """Return the time by which an order must be placed, with its time zone if that differs from the
    shop's.
    """
    time = scribe.say_as("clock", "{time}", time=order.order_by)
    return time if order.time_zone is None else f"{time} ({order.time_zone})"


def amount_line(label: str, money: Money, scribe: Scribe) -> Iterator[str]:
    """Yield a line with a name and an amount at the right margin."""
    yield from spread(f"  {label}", scribe.money(money.amount_text, money.currency))
