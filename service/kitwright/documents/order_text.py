"""A parts order as plain text, for a terminal or a printer."""

from __future__ import annotations

from collections.abc import Iterator

from kitwright.catalogue.model import Shop
from kitwright.documents.layout import WIDTH, spread
from kitwright.language.render import Speaker
from kitwright.money import Money
from kitwright.stages.ordering import PartsOrder


def order_lines(shop: Shop, order: PartsOrder, speaker: Speaker) -> Iterator[str]:
    """Yield an order: what, at what cost, whether it is there, and what it comes to."""
    supplier = order.supplier
    yield "-" * WIDTH
    heading = speaker.say("PARTS ORDER  {supplier} ({id})", supplier=supplier.name, id=supplier.id)
    yield from spread(heading, shop.name)
    zone = supplier.time_zone
    yield speaker.say(
        "Ordered by {time}; promised {day}",
        time=supplier.cutoff if zone is None else f"{supplier.cutoff} ({zone})",
        day=speaker.day(order.promised),
    )
    yield "-" * WIDTH
    for line in order.lines:
        source = line.source
        packs = f"{line.packs} x {source.pack}" if source.pack > 1 else f"{line.packs}"
        cost = speaker.price(line.unit_cost, supplier.currency)
        stock = {None: speaker.say("stock not known"), 0: speaker.say("back order")}.get(
            source.stock, speaker.say("in stock")
        )
        yield from spread(
            f"  {packs:>5}  {source.sku:<14} {speaker.item(source.item)}",
            speaker.figure(line.net.amount_text),
        )
        told = speaker.say(
            "{item}, {brand}, at {cost}; {stock}",
            item=source.item,
            brand=source.brand,
            cost=cost,
            stock=stock,
        )
        yield " " * 9 + told
    yield from amount_line(speaker.say("Goods"), order.goods, speaker)
    for fee in order.fees:
        named = speaker.say("Fee: {fee}", fee=speaker.phrase(fee.code))
        yield from amount_line(named, fee.amount, speaker)
    yield from amount_line(speaker.say("Freight"), order.freight, speaker)
    yield from amount_line(speaker.say("Together, without tax"), order.net, speaker)


def amount_line(label: str, money: Money, speaker: Speaker) -> Iterator[str]:
    """Yield an amount at the right margin, beside what it is."""
    yield from spread(f"  {label}", speaker.money(money))
