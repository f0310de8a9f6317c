"""Later: the orders of a repair of which some parts were ordered before, and what they cost on top.

A part that teardown shows to be bad comes with a second order, which has freight and fees of its
own.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from datetime import date
from decimal import Decimal
from fractions import Fraction

from kitwright.catalogue.model import Catalogue, ItemId, Shop
from kitwright.money import total
from kitwright.stages.kit import Kit
from kitwright.stages.ordering.follow_up import order_rest
from kitwright.stages.ordering.order import PartsOrder
from kitwright.stages.ordering.placed import Earlier, Packs
from kitwright.stages.request import Ordered, OrderedPacks
from kitwright.stages.supply import Supply
from kitwright.units import exact


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


def is_of_kit(ordered: Ordered) -> bool:
    """Return whether what is left of what was ordered depends on what a kit takes from stock."""
    return any(each.is_here for each in ordered.packs)


def find_earlier(catalogue: Catalogue, supply: Supply, ordered: Ordered, kit: Kit) -> Earlier:
    """Return what was ordered before, without what a kit takes of it from stock."""
    return Earlier(catalogue, supply, _left(catalogue, ordered, kit))


def own_stock(catalogue: Catalogue, ordered: Ordered, kit: Kit) -> Mapping[ItemId, Fraction]:
    """Return how much of each item that a kit takes from stock was ordered for the quote before, in
    the item's unit.
    """
    here: dict[ItemId, Fraction] = defaultdict(Fraction)
    for each in ordered.packs:
        if each.is_here:
            here[each.item] += each.count * _content(catalogue, each)
    return {item: min(amount, _taken(kit, item)) for item, amount in here.items()}


def _left(catalogue: Catalogue, ordered: Ordered, kit: Kit) -> Iterator[Packs]:
    """Yield the packs that were ordered, without those that the kit takes from stock."""
    own = dict(own_stock(catalogue, ordered, kit))
    for each in ordered.packs:
        count, content = each.count, _content(catalogue, each)
        if each.is_here:
            gone = min(count, own[each.item] / content)
            own[each.item] -= gone * content
            count -= gone
        if count:
            yield Packs(
                supplier=each.supplier,
                sku=each.sku,
                item=each.item,
                brand="",
                count=count,
                size=each.size,
                unit_cost=Decimal(0),
                lead_days=0,
                covers=(),
            )


def _content(catalogue: Catalogue, packs: OrderedPacks) -> Fraction:
    """Return how much of its item is in a pack, in the item's unit."""
    consumable = catalogue.consumables.get(packs.item)
    return packs.size * (Fraction(1) if consumable is None else exact(consumable.pack))


def _taken(kit: Kit, item: ItemId) -> Fraction:
    """Return how much of an item a kit takes from stock."""
    return sum((each.quantity for each in kit.from_stock if each.item == item), Fraction(0))


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
        goods=None if ordered.goods is None else ordered.goods + goods,
    )
