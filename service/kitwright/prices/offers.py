"""Offers: a catalogue with the prices of the price book, for the suppliers that have a file in
force.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Final, TypeVar

from msgspec import structs

from kitwright.catalogue.model import (
    Availability,
    Break,
    Catalogue,
    Consumable,
    ItemId,
    Offer,
    Part,
    PartSet,
    PriceListId,
    Quality,
    Supplier,
)
from kitwright.prices.amount import amount_text
from kitwright.prices.book import Book
from kitwright.prices.books import InForce
from kitwright.prices.number import number_key
from kitwright.prices.record import Entry, FileNumber
from kitwright.units import Figure, read_figure

_MOST: Final = 20
"""The most offers of one supplier for one item."""

Listed = dict[ItemId, tuple[PriceListId, Entry]]
"""The entry that gives the list price of an item, and the price list it is for."""
Goods = TypeVar("Goods", Part, PartSet, Consumable)


def priced(
    catalogue: Catalogue, in_force: InForce, opened: Callable[[FileNumber], Book]
) -> Catalogue:
    """Return a catalogue with the prices in force, or itself if there are none.

    The offers and the default rule of a supplier with a file in force are replaced by the offers of
    its book, and the list prices of what its makers make by those of the book. `revision` is then
    that of the catalogue and of the prices together.
    """
    books = [
        (catalogue.suppliers[supplier], opened(revision.file))
        for supplier, revision in in_force.by_supplier.items()
        if supplier in catalogue.suppliers
    ]
    if not books:
        return catalogue
    suppliers = dict(catalogue.suppliers)
    listed: Listed = {}
    for supplier, book in books:
        found = dict(_sold(catalogue, supplier, book))
        suppliers[supplier.id] = structs.replace(
            supplier,
            default_cost_percent=None,
            offer=tuple(
                _offer(catalogue, item, entry)
                for item, entries in found.items()
                for entry in entries
                if entry.cost and entry.availability is not Availability.discontinued
            ),
        )
        if supplier.price_list is not None:
            listed |= {
                item: (supplier.price_list, entry)
                for item, entries in found.items()
                for entry in entries
                if _is_of_make(catalogue, item, entry)
            }
    return structs.replace(
        catalogue,
        suppliers=suppliers,
        parts=_with_deposits(_listed(catalogue.parts, listed), listed),
        sets=_listed(catalogue.sets, listed),
        consumables=_listed(catalogue.consumables, listed),
        revision=revision_of(catalogue, in_force),
    )


def revision_of(catalogue: Catalogue, in_force: InForce) -> str:
    """Return the revision of a catalogue with some prices, in hexadecimal."""
    books = [(each.supplier, each.sha256) for each in in_force.by_supplier.values()]
    text = "\n".join([catalogue.revision, *(f"{supplier} {sha256}" for supplier, sha256 in books)])
    return hashlib.sha256(text.encode()).hexdigest()


def _sold(
    catalogue: Catalogue, supplier: Supplier, book: Book
) -> Iterator[tuple[ItemId, tuple[Entry, ...]]]:
    """Yield the items of a catalogue that a book has, with the entries of each."""
    own = numbers_of(supplier)
    for item in (*catalogue.parts, *catalogue.sets, *catalogue.consumables):
        entries = entries_of(book, item, own.get(item, ()))
        if entries:
            yield item, entries


def numbers_of(supplier: Supplier) -> dict[ItemId, list[str]]:
    """Return the numbers that a supplier has for items by its offers in the catalogue."""
    own: dict[ItemId, list[str]] = {}
    for offer in supplier.offer:
        own.setdefault(offer.item, []).append(offer.sku)
    return own


def entries_of(book: Book, item: ItemId, own: Iterable[str]) -> tuple[Entry, ...]:
    """Return the entries of a book for an item, by its own number and the supplier's for it.

    The number of the maker is that of the item; if a number is superseded in the book, the entry
    that supersedes it counts.
    """
    found: dict[int, Entry] = {}
    for number in (item, *own):
        for entry in book.by_key(number_key(number), _MOST):
            if not _is_of_other(entry, item, number):
                last = book.successor(entry)
                found.setdefault(last.line, last)
    return tuple(sorted(found.values(), key=lambda entry: entry.line))


def _is_of_other(entry: Entry, item: ItemId, number: str) -> bool:
    """Return whether an entry was found by the supplier's number, but names another number of its
    maker.
    """
    key = number_key(item)
    return (
        number_key(entry.number) == number_key(number)
        and number == item
        and bool(entry.maker_number)
        and number_key(entry.maker_number) != key
    )


def _is_of_make(catalogue: Catalogue, item: ItemId, entry: Entry) -> bool:
    """Return whether an entry is of the make of an item; one without a maker is."""
    record = catalogue.parts.get(item) or catalogue.sets.get(item)
    return record is None or entry.maker.casefold() in ("", record.maker.casefold())


def _offer(catalogue: Catalogue, item: ItemId, entry: Entry) -> Offer:
    record = catalogue.parts.get(item) or catalogue.sets.get(item)
    quality = Quality.maker if record is None else record.quality
    is_back_order = entry.availability is Availability.back_order
    return Offer(
        item=item,
        sku=entry.number,
        brand=entry.maker or (record.maker if record is not None else ""),
        quality=quality if _is_of_make(catalogue, item, entry) else Quality.alternate,
        cost=_figure(entry.cost or 0),
        pack=entry.pack,
        minimum=entry.minimum,
        multiple=entry.multiple,
        breaks=tuple(Break(packs=packs, cost=_figure(cost)) for packs, cost in entry.breaks),
        stock=0 if is_back_order else entry.stock,
        lead_days=entry.lead_days,
    )


def _figure(amount: int) -> Figure:
    return read_figure(amount_text(amount))


def _listed(goods: Mapping[ItemId, Goods], listed: Listed) -> dict[ItemId, Goods]:
    """Return goods with the list prices of the price book."""
    found = dict(goods)
    for item in listed.keys() & goods.keys():
        price_list, entry = listed[item]
        if entry.list_price:
            record = found[item]
            prices = {**record.list_price, price_list: _figure(entry.list_price)}
            found[item] = structs.replace(record, list_price=prices)
    return found


def _with_deposits(parts: Mapping[ItemId, Part], listed: Listed) -> dict[ItemId, Part]:
    """Return parts with the deposits of the price book."""
    found = dict(parts)
    for item in listed.keys() & parts.keys():
        price_list, entry = listed[item]
        if entry.core is not None:
            deposits = {**found[item].core_deposit, price_list: _figure(entry.core)}
            found[item] = structs.replace(found[item], core_deposit=deposits)
    return found
