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
from kitwright.stages.ordering.follow_up import Packs, packs_of, plan_follow_up
from kitwright.stages.ordering.order import PartsOrder
from kitwright.stages.request import Ordered, OrderedPacks
from kitwright.stages.supply import Supply


def later_orders(
    catalogue: Catalogue,
    shop: Shop,
    supply: Supply,
    orders: Iterable[PartsOrder],
    ordered: Ordered,
    on: date,
) -> tuple[PartsOrder, ...]:
    """Return the orders that are still needed on a day.

    Args:
        orders: what would be ordered if nothing had been.
    """
    before = (
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
    )
    days = dict.fromkeys(catalogue.suppliers, on)
    return plan_follow_up(catalogue, shop, supply, packs_of(orders), before, days).orders


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
    if ordered is None:
        return Ordered(packs=more, charged=charged)
    return Ordered(packs=(*ordered.packs, *more), charged=ordered.charged + charged)
