"""Lot: packs that may be taken together, from a source or from stock, and which are chosen."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from msgspec import Struct

from kitwright.catalogue.model import ItemId, Quality
from kitwright.solve.cover import Pack
from kitwright.stages.supply import Held, Source

LotKey = tuple[str, str, int]
"""Supplier and its SKU (on the shelf: an empty word, item and bin), and packs bought together."""


InTime = tuple[date, date] | None
"""The day of the order and the day by which items are needed; None if they are not needed by any
day.
"""


class Lot(Pack[LotKey, ItemId], frozen=True, kw_only=True):
    """Packs of one source that are bought together, or one set in stock.

    `holds` counts the wanted items that it fills, `contents` counts everything in it. `cost` is in
    minor units without tax. At most `limit` lots may be taken, and only one of each `group`.
    """

    item: ItemId
    quality: Quality
    contents: Mapping[ItemId, int]
    source: Source | None = None
    row: Held | None = None

    @property
    def packs(self) -> int:
        """The number of packs that are taken together."""
        return self.id[2]


class Chosen(Struct, frozen=True):
    """A lot, and how often it is taken."""

    lot: Lot
    times: int


class Offers(Struct, frozen=True):
    """Pieces that are wanted, by item, and every lot that would fill any of them."""

    pieces: Mapping[ItemId, int]
    lots: tuple[Lot, ...]


class Choice(Struct, frozen=True, kw_only=True):
    """The lots that fill the wanted pieces, and the pieces that no lot fills.

    `is_least` says that the cost is certain to be the least; only for very complex kits is it not.
    """

    chosen: tuple[Chosen, ...]
    short: Mapping[ItemId, int]
    is_least: bool


def bought_lot(
    source: Source, packs: int, holds: Mapping[ItemId, int], contents: Mapping[ItemId, int]
) -> Lot:
    """Return packs of a source that are bought together, with what of them fills a need."""
    supplier = source.supplier.id
    limit: int | None = 1
    if source.is_linear:
        is_counted = source.stock is not None and not source.is_back_order
        limit = (source.stock or 0) // packs if is_counted else None
    return Lot(
        id=(supplier, source.sku, packs),
        item=source.item,
        quality=source.quality,
        holds=holds,
        contents=contents,
        cost=source.line_cost(packs).minor,
        limit=limit,
        # other numbers of packs of one source are alternatives
        group=None if source.is_linear else f"{supplier}:{source.sku}",
        source=source,
    )
