"""Later: the orders of a repair of which some parts were ordered before, and what they cost on top.

A part that teardown shows to be bad comes with a second order, which has freight and fees of its
own.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from decimal import Decimal

from kitwright.catalogue.model import Catalogue, Shop
from kitwright.money import total
from kitwright.stages.kit import Kit
from kitwright.stages.ordering.follow_up import order_rest
from kitwright.stages.ordering.order import PartsOrder
from kitwright.stages.ordering.placed import Earlier, Packs
from kitwright.stages.request import Ordered, OrderedPacks
from kitwright.stages.supply import Supply


def later_orders(
    catalogue: Catalogue,
    shop: Shop,
    supply: Supply,
    earlier: Earlier,
    kit: Kit,
    on: date,
) -> tuple[PartsOrder, ...]:
    """Return the orders that a kit still needs on a day, after those of `find_earlier`."""
    return order_rest(catalogue, shop, supply, kit.bought, earlier, on)


def find_earlier(catalogue: Catalogue, supply: Supply, ordered: Ordered) -> Earlier:
    """Return what was ordered before."""
    return Earlier(
        catalogue,
        supply,
        (
            Packs(
                supplier=each.supplier,
                sku=each.sku,
                item=each.item,
                brand="",
                count=each.count,
                size=each.size,
                unit_cost=Decimal(0),
                lead_days=0,
                covers=(),
            )
            for each in ordered.packs
        ),
    )


def with_orders(shop: Shop, ordered: Ordered | None, orders: Iterable[PartsOrder]) -> Ordered:
    """Return what was ordered before with some orders more."""
    made = tuple(orders)
    more = tuple(
        OrderedPacks(
            supplier=line.source.supplier.id,
            sku=line.source.sku,
            item=line.source.item,
            size=line.source.pack,
            packs=line.packs,
        )
        for order in made
        for line in order.lines
    )
    charged = total((order.charges for order in made), shop.currency).amount
    goods = total((order.goods for order in made), shop.currency).amount
    if ordered is None:
        return Ordered(packs=more, charged=charged, goods=goods)
    return Ordered(
        packs=(*ordered.packs, *more),
        charged=ordered.charged + charged,
        goods=ordered.goods + goods,
    )
