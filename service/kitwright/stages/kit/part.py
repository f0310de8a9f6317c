"""Part: the cover of needs that depend on each other, and of no others."""

from __future__ import annotations

from fractions import Fraction

from msgspec import Struct

from kitwright.catalogue.model import ItemId, Quality
from kitwright.stages.kit.need import Need
from kitwright.stages.kit.wanted import Covered
from kitwright.stages.supply import Goods, Source


class FromStock(Struct, frozen=True, kw_only=True):
    """Stock that is used: `quantity` in `unit`, the number of packs, what they cost the shop in
    minor units, without tax, the make (None: not known), its quality, and the bin.
    """

    item: ItemId
    packs: Fraction
    quantity: Fraction
    unit: str
    cost: Fraction
    make: str | None
    quality: Quality
    bin: str
    covers: tuple[Covered, ...]


class Bought(Struct, frozen=True, kw_only=True):
    """Complete packs of one item that are bought from one source, and the needs that they fill."""

    source: Source
    packs: int
    covers: tuple[Covered, ...]


class Brought(Struct, frozen=True, kw_only=True):
    """Pieces or sets that the customer brings, and the needs that they fill. They are not bought
    or charged, and have no warranty on the part.
    """

    item: ItemId
    quantity: int
    covers: tuple[Covered, ...]


class LeftOver(Struct, frozen=True):
    """A quantity bought or opened that is not needed here and stays with the shop; its quality."""

    item: ItemId
    quantity: Fraction
    unit: str
    quality: Quality


class Unfilled(Struct, frozen=True, kw_only=True):
    """The quantity of a need that no source can fill, in the need's unit."""

    need: Need
    quantity: Fraction

    @property
    def item(self) -> ItemId:
        """The item that is not available."""
        return self.need.item


class KitPart(Struct, frozen=True, kw_only=True, eq=False, weakref=True):
    """The cover of needs that depend on each other through sets or older numbers; it does not
    depend on any other needs. Compared by identity, so that what follows from it can be remembered.
    """

    needs: tuple[Need, ...]
    brought: tuple[Brought, ...]
    from_stock: tuple[FromStock, ...]
    bought: tuple[Bought, ...]
    left_over: tuple[LeftOver, ...]
    unfilled: tuple[Unfilled, ...]
    is_least: bool
    goods: tuple[tuple[int, Goods], ...]
    """What is bought, by the supplier's place in the market."""
    suppliers: int
    """Those it is bought from, as bits (see `Market.bits`)."""
