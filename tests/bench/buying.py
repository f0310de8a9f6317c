"""What buying together saves: landed cost without tax, in both shops.

    python -m tests.bench.buying [QUOTES]

Draws so many random quotes (500 where no number is given) in each shop, with what the shop buys for
each. Then prints, for these quotes one by one and for baskets of 5, 20 and 60 of them, the landed
cost of: the offer that is cheapest by the piece for each line, ordered quote by quote; all from the
one supplier that costs least; the quotes' own orders; these merged by supplier; and the least
purchase. Where no supplier has everything, what one lacks comes from the quotes' own orders.

Every basket is checked: each quote gets what it needs, shares add up to the orders, and no more is
promised from the shelf than lies there, because baskets start from an empty shelf.
"""

from __future__ import annotations

import random
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from datetime import date
from fractions import Fraction
from typing import NamedTuple

from msgspec import structs
from tests.bench.requests import CATALOG, unseen_requests

from kitwright.catalogue.load import load_catalogue
from kitwright.catalogue.model import Catalogue, SupplierId
from kitwright.flow import quote_repair
from kitwright.stages.kit import Market
from kitwright.stages.ordering import (
    Basket,
    JointOrder,
    PartsOrder,
    buy_together,
    join_orders,
)
from kitwright.stages.ordering.order import OrderLine, order_line, place_orders
from kitwright.stages.supply import Source
from kitwright.web.calls.wire import PreviewIn
from kitwright.web.edge.body import decode
from kitwright.workshop import Workshop

DAY = date(2027, 3, 1)
SIZES = (1, 5, 20, 60)
Orders = tuple[PartsOrder, ...]


class Shop(NamedTuple):
    """A shop with empty shelves, and the orders of its quotes."""

    catalogue: Catalogue
    market: Market
    quotes: list[Orders]


def draw(catalogue: Catalogue, name: str, count: int) -> Shop:
    shop = structs.replace(catalogue.shops[name], stock=())  # type: ignore[index]
    workshop = Workshop(catalogue, shop)
    quotes: list[Orders] = []
    for body in unseen_requests():
        asked = structs.replace(decode(body, PreviewIn).asked(DAY), on=DAY)
        orders = quote_repair(workshop, asked).repair.orders
        if orders:
            quotes.append(orders)
        if len(quotes) == count:
            break
    return Shop(catalogue, workshop.market, quotes)


def lines_of(orders: Iterable[PartsOrder]) -> list[OrderLine]:
    return [line for order in orders for line in order.lines]


def moved(shop: Shop, quote: Orders, choose: Callable[[OrderLine], Source | None]) -> Orders:
    """Return a quote's orders with each line from another source of its item, if one is chosen."""
    lines = []
    for line in lines_of(quote):
        source = choose(line)
        if source is not None:
            pieces = line.packs * line.source.pack
            needed = _pieces(shop.catalogue, line) or pieces
            packs = source.allowed(-(-needed // source.pack))
            line = order_line(shop.market.shop, source, packs, line.covers, DAY)
        lines.append(line)
    return place_orders(shop.catalogue, lines)


def _pieces(catalogue: Catalogue, line: OrderLine) -> int:
    """Return how many items of a line are used."""
    item = line.source.item
    if item in catalogue.sets:
        contents = catalogue.sets[item].contents
        used: dict[str, Fraction] = defaultdict(Fraction)
        for use in line.covers:
            used[use.number] += use.quantity / contents[use.number]
        return -(-max(used.values()) // 1)
    consumable = catalogue.consumables.get(item)
    each = Fraction(1) if consumable is None else Fraction(consumable.pack)
    return -(-sum(use.quantity for use in line.covers) // each) if line.covers else 0


def eligible(shop: Shop, line: OrderLine) -> list[Source]:
    sources = shop.market.supply.eligible(line.source.item, line.source.quality)
    return [
        source
        for source in sources
        if source.stock is None
        or source.is_back_order
        or source.allowed(-(-line.packs * line.source.pack // source.pack)) <= source.stock
    ]


def cheapest(shop: Shop, quote: Orders) -> Orders:
    return moved(shop, quote, lambda line: next(iter(eligible(shop, line)), None))


def from_one(shop: Shop, quotes: Sequence[Orders]) -> int:
    """Return the cost of all from the supplier with which it is least, in one order."""

    def from_supplier(name: SupplierId) -> int:
        found = [
            moved(
                shop,
                quote,
                lambda line: next(
                    (one for one in eligible(shop, line) if one.supplier.id == name), None
                ),
            )
            for quote in quotes
        ]
        return joint_cost(join_orders(shop.catalogue, shop.market.shop, found))

    names = {source.supplier.id for some in shop.market.supply.sources.values() for source in some}
    return min(map(from_supplier, sorted(names)))


def cost(orders: Iterable[PartsOrder]) -> int:
    return sum(order.net.minor for order in orders)


def joint_cost(joint: Iterable[JointOrder]) -> int:
    return cost(one.order for one in joint)


def check(quotes: Sequence[Orders], basket: Basket) -> None:
    """Check that each quote gets what it needs, and that shares add up to the orders."""
    gets: dict[tuple[object, ...], Fraction] = defaultdict(Fraction)
    for joint in basket.orders:
        assert sum(one.net.minor for one in joint.allotments) == joint.order.net.minor
        for one in joint.allotments:
            for use in (use for part in one.portions for use in part.covers):
                gets[one.asker, use.role, use.cylinder, use.number] += use.quantity
    for asker, orders in enumerate(quotes):
        for use in (use for line in lines_of(orders) for use in line.covers):
            gets[asker, use.role, use.cylinder, use.number] -= use.quantity
    assert not any(gets.values())


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    catalogue = load_catalogue(CATALOG)
    heads = ("a line", "one", "own", "merged", "least", "saved", "of merged", "proven", "ms")
    print(f"{'shop':10} {'quotes':>6} " + " ".join(f"{head:>10}" for head in heads))
    for name in sorted(catalogue.shops):
        shop = draw(catalogue, name, count)
        for size in SIZES:
            chance = random.Random(size)
            quotes = chance.sample(shop.quotes, len(shop.quotes))
            baskets = [quotes[at : at + size] for at in range(0, count - size + 1, size)]
            print(f"{name:10} {size:>6} " + row(shop, baskets), flush=True)


def row(shop: Shop, baskets: Sequence[Sequence[Orders]]) -> str:
    days = dict.fromkeys(shop.catalogue.suppliers, DAY)
    sums = [0, 0, 0, 0, 0]
    proven, spent = 0, 0.0
    for quotes in baskets:
        start = time.process_time()
        basket = buy_together(shop.market, quotes, [None] * len(quotes), days)
        spent += time.process_time() - start
        check(quotes, basket)
        proven += basket.is_least
        costs = (
            sum(cost(cheapest(shop, quote)) for quote in quotes),
            from_one(shop, quotes),
            sum(map(cost, quotes)),
            joint_cost(join_orders(shop.catalogue, shop.market.shop, quotes)),
            joint_cost(basket.orders),
        )
        sums = [before + more for before, more in zip(sums, costs, strict=True)]
    *_, own, merged, least = sums
    cells = [f"{amount / 100:>10,.0f}" for amount in sums]
    cells += [f"{1 - least / own:>10.1%}", f"{1 - least / merged:>10.1%}"]
    cells += [f"{proven:>6}/{len(baskets):<3}", f"{1000 * spent / len(baskets):>10.1f}"]
    return " ".join(cells)


if __name__ == "__main__":
    main()
