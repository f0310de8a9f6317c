"""Suppliers and their offers."""

from __future__ import annotations

import codecs
from datetime import date
from enum import StrEnum

from kitwright.catalogue.model.shop import Contact
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
    What `is_special` is ordered for one customer alone, and not taken
    back.
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
    is_special: bool = False


class PriceColumn(StrEnum):
    """A column of a supplier's price file.

    `cost` is the price of one pack, `cost_each` that of one item; with `per`, both are the price of
    that many items. `number` is the supplier's own, `maker_number` the maker's. `replaces` is an
    older number.
    """

    number = "number"
    maker = "maker"
    maker_number = "maker_number"
    description = "description"
    list_price = "list_price"
    cost = "cost"
    cost_each = "cost_each"
    per = "per"
    pack = "pack"
    minimum = "minimum"
    multiple = "multiple"
    breaks = "breaks"
    availability = "availability"
    stock = "stock"
    lead_days = "lead_days"
    core = "core"
    superseded_by = "superseded_by"
    replaces = "replaces"


class Availability(StrEnum):
    """Whether a supplier has a number: `back_order` if none is there now, `discontinued` if it is
    no longer sold.
    """

    in_stock = "in_stock"
    unknown = "unknown"
    back_order = "back_order"
    discontinued = "discontinued"


class DecimalSign(StrEnum):
    """The sign between whole units and parts of one."""

    point = "point"
    comma = "comma"


class PriceForm(Record, frozen=True, kw_only=True):
    """The form of a supplier's price files, as far as it is not recognised from the files.

    `columns` gives the heading of a column, `availability` the meaning of a word. `encoding` is a
    name that Python knows, `sheet` the name of the sheet in a workbook.
    """

    columns: dict[PriceColumn, str] = {}
    availability: dict[str, Availability] = {}
    decimal: DecimalSign | None = None
    delimiter: str | None = None
    encoding: str | None = None
    sheet: str | None = None

    def __post_init__(self) -> None:
        """Check the delimiter and the encoding."""
        if self.delimiter is not None and len(self.delimiter) != 1:
            raise ValueError("delimiter must be one character")
        if self.encoding is not None:
            try:
                is_text = codecs.lookup(self.encoding)._is_text_encoding
            except LookupError:
                is_text = False
            if not is_text:
                raise ValueError(f"{self.encoding!r} is not an encoding that Python knows")


class Supplier(Record, frozen=True, kw_only=True):
    """A supplier that sells in one currency, with prices without tax.

    All current parts and sets of the makers in `makers` are offered by default, as maker quality.
    They cost `default_cost_percent` of their list price in `price_list`; pack and minimum are 1,
    and the SKU is the item's own number. An offer row replaces that for its item.

    Lead times are in the supplier's working days, `mon` .. `sun`. If its file gives no working
    days, holidays or time zone, the shop's apply. `price_file` describes its price files. Orders
    go to `contact`, in its `language` (absent: the shop's). A part that fails within
    `warranty_days` of its receipt is claimed within `claim_days` of its failure; absent: its terms
    say nothing.
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
    warranty_days: int | None = None
    claim_days: int | None = None
    time_zone: str | None = None
    working_days: tuple[str, ...] | None = None
    holidays: tuple[date, ...] | None = None
    price_file: PriceForm | None = None
    contact: Contact | None = None
    language: str | None = None
    offer: tuple[Offer, ...] = ()

    def is_special(self, sku: str) -> bool:
        """Return whether a SKU is ordered for one customer alone."""
        return any(offer.sku == sku and offer.is_special for offer in self.offer)
