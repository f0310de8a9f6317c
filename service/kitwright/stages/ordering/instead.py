"""Instead: the next best offer for goods that a supplier does not deliver in time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date

from msgspec import Struct

from kitwright.catalogue.model import Catalogue, ItemId, Quality, Shop, SupplierId
from kitwright.stages.ordering.order import PartsOrder, order_line, place_orders
from kitwright.stages.supply import Supply


class Lacking(Struct, frozen=True, kw_only=True):
    """Pieces of an item that are still needed, in at least a quality, and the offer that they don't
    come from. `promised` is when that would deliver; None: nobody knows.
    """

    item: ItemId
    pieces: int
    quality: Quality
    supplier: SupplierId
    sku: str
    promised: date | None


def next_offer(
    catalogue: Catalogue,
    shop: Shop,
    supply: Supply,
    lacking: Lacking,
    days: Mapping[SupplierId, date],
) -> PartsOrder | None:
    """Return the order, of one line, that would bring what is lacking sooner, at least cost with
    fees and freight; None if there is none. Of two that cost the same, the sooner.

    Args:
        days: supplier -> the day that an order placed now counts for.
    """
    found = list(_offers(catalogue, shop, supply, lacking, days))
    return min(found, key=lambda one: (one.net.minor, one.promised, one.supplier.id), default=None)


def _offers(
    catalogue: Catalogue,
    shop: Shop,
    supply: Supply,
    lacking: Lacking,
    days: Mapping[SupplierId, date],
) -> Iterator[PartsOrder]:
    for source in supply.eligible(lacking.item, lacking.quality):
        if (source.supplier.id, source.sku) == (lacking.supplier, lacking.sku):
            continue
        packs = source.allowed(-(-lacking.pieces // source.pack))
        if source.stock is not None and packs > source.stock:
            continue
        line = order_line(shop, source, packs, (), days[source.supplier.id])
        if lacking.promised is None or line.promised < lacking.promised:
            yield from place_orders(catalogue, [line])
