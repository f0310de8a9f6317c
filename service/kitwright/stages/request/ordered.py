"""Ordered: the parts that were ordered for a quote before it is made again."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

from msgspec import Struct

from kitwright.catalogue.model import ItemId, SupplierId
from kitwright.units import unmixed


class OrderedPacks(Struct, frozen=True, kw_only=True):
    """Packs of a SKU that were ordered, of `size` items each, and a `fraction` of a pack that
    several quotes share. They are no stock besides, also once they arrived.
    """

    supplier: SupplierId
    sku: str
    item: ItemId
    size: int
    packs: int
    fraction: str | None = None

    @property
    def count(self) -> Fraction:
        """The packs with the fraction."""
        return unmixed(self.packs, self.fraction)


class Ordered(Struct, frozen=True, kw_only=True):
    """What was ordered for a quote before; what suppliers charged it in freight and fees for that;
    and what its goods cost: in major units, without tax.
    """

    packs: tuple[OrderedPacks, ...]
    charged: Decimal
    goods: Decimal = Decimal(0)
