"""Pricing: compares a price file with the prices and quotes of a shop, and reads it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Final

import msgspec
from msgspec import Struct

from kitwright.catalogue.model import Catalogue, Supplier
from kitwright.errors import KitwrightError
from kitwright.keeping.record import QuoteState
from kitwright.keeping.store import QuoteFilter, Records
from kitwright.prices.books import PriceBooks
from kitwright.prices.difference import Difference, OldPrice, OpenQuote, millionths
from kitwright.prices.reading import Read
from kitwright.prices.record import FileNumber, PriceFile, terms_of
from kitwright.prices.worker import Job
from kitwright.stages.supply import find_supply

_PAGE: Final = 200


class SupplierUnknown(KitwrightError):
    """A supplier that the catalogue does not have."""

    code = "supplier-unknown"

    def __init__(self, supplier: str, known: Iterator[str]) -> None:
        super().__init__(f"there is no supplier {supplier!r}; the catalogue has {', '.join(known)}")
        self.supplier = supplier


def supplier_of(catalogue: Catalogue, name: str) -> Supplier:
    """Return a supplier by its id. Raises: SupplierUnknown."""
    for supplier in catalogue.suppliers.values():
        if supplier.id == name:
            return supplier
    raise SupplierUnknown(name, iter(sorted(catalogue.suppliers)))


def job_of(
    books: PriceBooks,
    catalogue: Catalogue,
    file: PriceFile,
    *,
    source: str,
    quotes: tuple[OpenQuote, ...],
) -> Job:
    """Return the job of reading a file; `catalogue` is the one without the prices in force.

    Raises: SupplierUnknown.
    """
    supplier = supplier_of(catalogue, file.supplier)
    in_force = books.in_force().by_supplier.get(supplier.id)
    return Job(
        source=source,
        target=str(books.draft(file.number)),
        terms=terms_of(supplier),
        against=None if in_force is None else in_force.file,
        before=None if in_force is None else str(books.book(in_force.file)),
        old=() if in_force is not None else tuple(_old_prices(catalogue, supplier)),
        quotes=quotes,
    )


def keep_outcome(
    books: PriceBooks,
    number: FileNumber,
    job: Job,
    outcome: tuple[Read, Difference | None],
) -> PriceFile:
    """Keep the outcome of a job, and return its file."""
    read, difference = outcome
    text = None if difference is None else msgspec.json.encode(difference).decode()
    return books.keep(number, Path(job.target), read, against=job.against, difference=text)


def _old_prices(catalogue: Catalogue, supplier: Supplier) -> Iterator[OldPrice]:
    """Yield the prices that a supplier has by the catalogue: its offers and its default rule."""
    shop = next(
        (shop for shop in catalogue.shops.values() if shop.currency == supplier.currency), None
    )
    if shop is None:
        return
    for sources in find_supply(catalogue, shop).sources.values():
        for source in sources:
            if source.supplier.id == supplier.id:
                goods = catalogue.parts.get(source.item) or catalogue.sets.get(source.item)
                yield OldPrice(
                    item=source.item,
                    number=source.sku,
                    description="" if goods is None else goods.name,
                    cost=millionths(source.cost),
                    pack=source.pack,
                )


class _OrderLine(Struct, frozen=True, kw_only=True):
    sku: str


class _Order(Struct, frozen=True, kw_only=True):
    supplier: str
    lines: tuple[_OrderLine, ...]


class _Answer(Struct, frozen=True, kw_only=True):
    """A stored quote, as far as its parts orders go."""

    orders: tuple[_Order, ...] = ()


_ANSWER: Final = msgspec.json.Decoder(_Answer)


def open_quotes(records: Records, supplier: str) -> tuple[OpenQuote, ...]:
    """Return the drafts and the issued quotes that would order from a supplier."""
    found: list[OpenQuote] = []
    before: int | None = None
    states = (QuoteState.draft, QuoteState.issued)
    while True:
        page = records.quotes.find(QuoteFilter(states=states, before=before, most=_PAGE))
        for quote in page:
            revision = records.revisions.get(quote.number, quote.latest)
            numbers = frozenset(
                line.sku
                for order in (() if revision is None else _ANSWER.decode(revision.answer).orders)
                if order.supplier == supplier
                for line in order.lines
            )
            if numbers:
                is_issued = quote.state is QuoteState.issued
                found.append(OpenQuote(id=f"Q{quote.number}", is_issued=is_issued, numbers=numbers))
        if len(page) < _PAGE:
            return tuple(found)
        before = page[-1].number
