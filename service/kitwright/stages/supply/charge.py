"""Charge: what a supplier charges on an order besides its goods."""

from __future__ import annotations

from collections.abc import Iterable
from functools import reduce

from msgspec import Struct

from kitwright.catalogue.model import Catalogue, Hazmat, ItemId, Supplier
from kitwright.money import Money
from kitwright.stages.supply.supply import Source


class Goods(Struct, frozen=True):
    """What an order's charges and its arrival depend on; amounts are in minor units.

    `cost` is the sum of the lines. `bulky` is the freight of the items that have a freight of their
    own; `has_more` says whether there are others, and `is_hazardous` whether any are hazardous.
    `lead_days` is the longest lead time of a line.
    """

    cost: int
    bulky: int
    has_more: bool
    is_hazardous: bool
    lead_days: int

    def plus(self, other: Goods) -> Goods:
        """Return both together."""
        return Goods(
            self.cost + other.cost,
            self.bulky + other.bulky,
            self.has_more or other.has_more,
            self.is_hazardous or other.is_hazardous,
            max(self.lead_days, other.lead_days),
        )


class Terms(Struct, frozen=True):
    """A supplier's charges in minor units; `free_from` is None if freight is never free."""

    minimum: int
    small_order: int
    hazardous: int
    freight: int
    free_from: int | None

    @classmethod
    def of(cls, supplier: Supplier) -> Terms:
        """Return the terms of a supplier."""

        def minor(amount: object) -> int:
            return Money.of(amount, supplier.currency).minor  # type: ignore[arg-type]

        free_from = supplier.free_freight_from
        return cls(
            minor(supplier.minimum_order),
            minor(supplier.small_order_fee),
            minor(supplier.hazmat_fee),
            minor(supplier.freight),
            None if free_from is None else minor(free_from),
        )

    def small_order_fee(self, goods: Goods) -> int:
        """Return the fee for an order below the minimum."""
        return self.small_order if goods.cost < self.minimum else 0

    def hazardous_fee(self, goods: Goods) -> int:
        """Return the fee for hazardous goods."""
        return self.hazardous if goods.is_hazardous else 0

    def freight_of(self, goods: Goods) -> int:
        """Return the freight: that of bulky items, and the flat freight for the rest, unless the
        goods reach the value from which it is free.
        """
        is_free = self.free_from is not None and goods.cost >= self.free_from
        return goods.bulky + (self.freight if goods.has_more and not is_free else 0)

    def least_charges(self, goods: Goods) -> int:
        """Return what is charged however much more is bought of the same goods."""
        freight = self.freight if goods.has_more and self.free_from is None else 0
        return self.hazardous_fee(goods) + goods.bulky + freight

    def charges(self, goods: Goods) -> int:
        """Return all that is charged besides the goods."""
        return self.small_order_fee(goods) + self.hazardous_fee(goods) + self.freight_of(goods)


def is_hazardous(catalogue: Catalogue, item: ItemId) -> bool:
    """Return whether an item is shipped as hazardous goods."""
    consumable = catalogue.consumables.get(item)
    return consumable is not None and consumable.hazmat is not Hazmat.none


def goods_of(catalogue: Catalogue, source: Source, packs: int) -> Goods:
    """Return what the charges on a line of some packs depend on."""
    bulky = source.freight
    return Goods(
        source.line_cost(packs).minor,
        0 if bulky is None else Money.of(bulky * packs, source.supplier.currency).minor,
        bulky is None,
        is_hazardous(catalogue, source.item),
        source.lead_days,
    )


def sum_goods(each: Iterable[Goods]) -> Goods:
    """Return the goods of one or more lines of one supplier together."""
    return reduce(Goods.plus, each)
