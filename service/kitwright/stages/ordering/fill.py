"""Fill: what an order lacks to free freight, and goods of the shelf that turn over and make it up.

It only proposes. Goods that nobody needs are dearer than freight, so that only what the shop keeps
up to a wanted amount is proposed, and no more of it than that.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from msgspec import Struct

from kitwright.catalogue.model import Catalogue, ItemId
from kitwright.money import Money
from kitwright.stages.ordering.order import PartsOrder
from kitwright.stages.supply import Goods, Source, Supply, Terms, goods_of, sum_goods


class Filler(Struct, frozen=True, kw_only=True):
    """Packs to add to an order; `net` is what its goods then cost more, without tax."""

    source: Source
    packs: int
    net: Money


class Fill(Struct, frozen=True, kw_only=True):
    """What an order's goods lack to free freight, and what makes it up: `saved` is what is charged
    less for freight and fees then.
    """

    gap: Money
    fillers: tuple[Filler, ...]
    saved: Money


class Restock(NamedTuple):
    """An item of which the shelf should have so many packs of one item more."""

    item: ItemId
    items: int


def fill_up(
    catalogue: Catalogue, supply: Supply, order: PartsOrder, wanted: Sequence[Restock]
) -> Fill | None:
    """Return the goods with which an order's freight is free; None if it is, or can't be, or if
    that saves nothing.

    Args:
        wanted: what the shelf lacks, the most urgent first. No more than needed is taken of it.
    """
    terms, currency = Terms.of(order.supplier), order.supplier.currency
    there = {line.source.sku: line.packs for line in order.lines}
    goods = sum_goods(goods_of(catalogue, line.source, line.packs) for line in order.lines)
    if terms.free_from is None or not terms.freight_of(goods) > goods.bulky:
        return None
    before, gap = terms.charges(goods), terms.free_from - goods.cost
    fillers: list[Filler] = []
    for filler, more in _fillers(supply, order, wanted, there):
        left = terms.free_from - goods.cost
        packs = _packs(filler, there.get(filler.sku, 0), more, left)
        added = _added(catalogue, filler, there.get(filler.sku, 0), packs)
        fillers.append(Filler(source=filler, packs=packs, net=Money(added.cost, currency)))
        goods = goods.plus(added)
        if goods.cost >= terms.free_from:
            saved = before - terms.charges(goods)
            if saved <= 0:
                return None
            return Fill(
                gap=Money(gap, currency), fillers=tuple(fillers), saved=Money(saved, currency)
            )
    return None


def _fillers(
    supply: Supply,
    order: PartsOrder,
    wanted: Sequence[Restock],
    there: Mapping[str, int],
) -> Iterator[tuple[Source, int]]:
    """Yield the cheapest source of each item at an order's supplier, with the most packs of it."""
    for restock in wanted:
        found = []
        for source in supply.sources.get(restock.item, ()):
            if source.supplier.id != order.supplier.id or source.supplier.is_special(source.sku):
                continue
            has, most = there.get(source.sku, 0), restock.items // source.pack
            if source.stock is not None:
                most = min(most, source.stock - has)
            most = (has + most) // source.multiple * source.multiple - has
            if most > 0 and has + most >= source.minimum:
                found.append((source, most))
        if found:
            yield min(found, key=lambda one: (one[0].cost_of_one, one[0].sku))


def _packs(source: Source, has: int, most: int, gap: int) -> int:
    """Return the fewest packs of a source that make up a gap, or as many as may be taken."""
    packs = source.allowed(has + 1) - has
    while packs < most and source.line_cost(has + packs).minor - _cost(source, has) < gap:
        packs += source.multiple
    return packs


def _cost(source: Source, packs: int) -> int:
    return source.line_cost(packs).minor if packs else 0


def _added(catalogue: Catalogue, source: Source, has: int, packs: int) -> Goods:
    """Return what some packs of a source add to the goods of an order that has others of it."""
    whole = goods_of(catalogue, source, has + packs)
    if not has:
        return whole
    part = goods_of(catalogue, source, has)
    return Goods(
        whole.cost - part.cost,
        whole.bulky - part.bulky,
        whole.has_more,
        whole.is_hazardous,
        whole.lead_days,
    )
