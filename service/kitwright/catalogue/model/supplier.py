"""Suppliers and their offers."""

from __future__ import annotations

from datetime import date

from kitwright.catalogue.model.words import (
    ItemId,
    PriceListId,
    Quality,
    Record,
    SupplierId,
)
from kitwright.units import Figure


class Break(Record, frozen=True, kw_only=True):
    """From `packs` packs, every pack of the line costs `cost`."""

    packs: int
    cost: Figure


class Offer(Record, frozen=True, kw_only=True):
    """A supplier's price for an item: per pack of `pack` items, at least `minimum` packs, in
    multiples of `multiple`.

    `stock` is in packs; None means unknown. `lead_days` and `freight` replace the supplier's own.
    """

    item: ItemId
    sku: str
    brand: str
    quality: Quality
    cost: Figure
    pack: int = 1
    minimum: int = 1
    multiple: int = 1
    breaks: tuple[Break, ...] = ()
    stock: int | None = None
    lead_days: int | None = None
    freight: Figure | None = None


class Supplier(Record, frozen=True, kw_only=True):
    """A supplier that sells in one currency, with prices without tax.

    All current parts and sets of the makers in `makers` are offered by default, as maker quality.
    They cost `default_cost_percent` of their list price in `price_list`; pack and minimum are 1,
    and the SKU is the item's own number. An offer row replaces that for its item.

    Lead times are in the supplier's working days, `mon` .. `sun`. If its file gives no working
    days, holidays or time zone, the shop's apply.
    """

    id: SupplierId
    name: str
    currency: str
    lead_days: int
    cutoff: str
    freight: Figure
    free_freight_from: Figure | None = None
    makers: tuple[str, ...] = ()
    price_list: PriceListId | None = None
    default_cost_percent: Figure | None = None
    minimum_order: Figure
    small_order_fee: Figure
    ships_hazmat: bool
    hazmat_fee: Figure
    restock_percent: Figure
    return_days: int
    core_days: int
    time_zone: str | None = None
    working_days: tuple[str, ...] | None = None
    holidays: tuple[date, ...] | None = None
    offer: tuple[Offer, ...] = ()
