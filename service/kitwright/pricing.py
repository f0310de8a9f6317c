"""Pricing: reads price files, compares them with a shop's prices and quotes, and applies them."""

from __future__ import annotations

import asyncio
import logging
import os
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import closing, suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import BinaryIO, Final

import msgspec
from msgspec import Struct, structs

from kitwright.catalogue.model import Catalogue, Supplier
from kitwright.errors import KitwrightError
from kitwright.keeping.price_events import note_prices, noted_revision
from kitwright.keeping.record import Hand, QuoteState, Stamp
from kitwright.keeping.store import QuoteFilter, Records, Store, StoreError
from kitwright.prices.books import InForce, PriceBooks
from kitwright.prices.difference import OldPrice, OpenQuote, PriceDifference, millionths
from kitwright.prices.reading import Progress, failed
from kitwright.prices.record import (
    FileNumber,
    PriceFile,
    PriceRevision,
    RevisionNumber,
    terms_of,
)
from kitwright.prices.worker import Job, Outcome, ReadingFailed, run_job
from kitwright.stages.supply import find_supply

_LOG = logging.getLogger(__name__)
_PAGE: Final = 200
LookAtQuotes = Callable[[Job, FileNumber, PriceDifference], Awaitable[PriceDifference]]
_READ: Final = 0.9
"""The share of the work that is done once a file is read."""
_BROKEN_OFF: Final = timedelta(hours=1)
"""The age at which a file that is nowhere was certainly left by a process that broke off."""
_LOOKED_AT_EVERY: Final = 1.0
"""Seconds between two looks at the prices in force."""


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
    outcome: Outcome,
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


def note_in_force(records: Records, stamp: Stamp, in_force: InForce) -> None:
    """Add the event of the prices in force, unless the feed has it."""
    facts: dict[str, str | int | None] = {}
    for each in in_force.by_supplier.values():
        if each.number == in_force.revision:
            facts = {"supplier": each.supplier, "file": f"F{each.file}"}
    note_prices(records, stamp, in_force.revision, facts)


class Pricing:
    """The price book of a running service.

    Files are read one after the other, each in a process of its own. A file whose reading was
    interrupted is read again after the next start.

    Args:
        open_books: opens the price books; each thread has its own.
        store: the records, for the quotes that a file touches.
        catalogue: the catalogue as its files have it, without the prices in force.
        now: returns the current time in UTC.
        in_use: the revision of the prices that quotes are made with, None for the catalogue's.
    """

    def __init__(
        self,
        open_books: Callable[[], PriceBooks],
        store: Store,
        catalogue: Catalogue,
        now: Callable[[], datetime],
        in_use: int | None,
    ) -> None:
        self.books = open_books()
        self._catalogue = catalogue
        self._in_use = in_use
        self._open_books = open_books
        self._store = store
        self._now = now
        self._waiting: asyncio.Event | None = None
        """Set when something was received; of the event loop that `run` is in."""
        self._progress: dict[FileNumber, Progress] = {}
        self._tried: RevisionNumber | None = None
        self._noted: int | None = None
        """The revision whose event is known to be in the feed, 0 for the prices of the catalogue;
        None if that can't be read.
        """
        with suppress(StoreError):
            self._noted = store.read(noted_revision)
        self.in_calls = 0
        """How many calls in progress change the prices; each adds its own event."""
        self.take: Callable[[], Awaitable[None]] = self._take_nothing
        """Puts the prices in force into use."""
        self.look_at_quotes: LookAtQuotes | None = None
        """Completes the difference of a job with what it touches; None: as the worker found it."""

    def note_share(self, number: FileNumber, share: float) -> None:
        """Note which share of the quotes has been priced again for a file."""
        if number in self._progress:
            found = self._progress[number]
            self._progress[number] = structs.replace(found, share=_READ + (1 - _READ) * share)

    async def _take_nothing(self) -> None:
        """Leave the prices in use as they are: quotes take others over after a restart."""

    def use(self, catalogue: Catalogue, prices: int | None) -> None:
        """Note which catalogue, and which revision of prices, quotes are made with from now on."""
        self._catalogue = catalogue
        self._in_use = prices

    def close(self) -> None:
        """Close the price books."""
        self.books.close()

    def progress(self, number: FileNumber) -> Progress | None:
        """Return how far the reading of a file is, None if it is not being read."""
        return self._progress.get(number)

    def wake(self) -> None:
        """Read what has been received."""
        if self._waiting is not None:
            self._waiting.set()

    async def receive(
        self, supplier: str, name: str, by: str, pieces: AsyncIterator[bytes]
    ) -> PriceFile:
        """Store a file as it arrives, and return it; it is read in the background.

        Raises: SupplierUnknown, and the errors of `pieces`.
        """
        found = supplier_of(self._catalogue, supplier)
        file = self.books.add_file(found.id, name, self._now(), by)
        source, part = self.books.source(file.number), self.books.arriving(file.number)
        try:
            with part.open("wb") as opened:
                async for piece in pieces:
                    await asyncio.to_thread(opened.write, piece)
                await asyncio.to_thread(_settle, opened)
            part.replace(source)
        except BaseException:
            part.unlink(missing_ok=True)
            self.books.forget(file.number)
            raise
        self.wake()
        return file

    async def apply(self, number: FileNumber, by: str) -> PriceRevision:
        """Put a file's prices in force and into use, and return their revision. A file whose prices
        are the last in force is not applied again.

        Raises: UnknownFile, FileNotReady, PricesChanged, BookDamaged.
        """

        def apply() -> PriceRevision:
            with closing(self._open_books()) as books:
                last = books.in_force()
                for revision in last.by_supplier.values():
                    if revision.file == number and revision.number == last.revision:
                        return revision
                return books.apply(number, self._now(), by)

        # off the event loop: it reads the complete book
        revision = await asyncio.to_thread(apply)
        await self.take()
        return revision

    async def back(self, revision: RevisionNumber) -> InForce:
        """Put the prices before a revision, which has to be in force, in force and into use. If
        they are in force already, nothing changes.

        Raises: NoEarlierPrices, BookDamaged.
        """

        def back() -> InForce:
            with closing(self._open_books()) as books:
                return books.back(revision)

        found = await asyncio.to_thread(back)
        await self.take()
        return found

    async def run(self, stop: asyncio.Event) -> None:
        """Read what is received, and take over prices that another process applied, until `stop` is
        set.
        """
        self._drop_broken_off()
        waiting = self._waiting = asyncio.Event()
        reading = asyncio.create_task(self._read_received(waiting))
        try:
            while not stop.is_set():
                with suppress(TimeoutError):
                    await asyncio.wait_for(stop.wait(), _LOOKED_AT_EVERY)
                await self._look()
        finally:
            reading.cancel()
            self._waiting = None
            with suppress(asyncio.CancelledError):
                await reading

    def _drop_broken_off(self) -> None:
        try:
            self.books.drop_broken_off(self._now() - _BROKEN_OFF)
        except Exception as error:  # noqa: BLE001 - whatever it is, the next start tries again
            _LOG.warning("files that did not arrive completely were not deleted: %s", error)

    async def _look(self) -> None:
        """Take over the prices in force if another process has changed them, and add their event if
        the feed does not have it.
        """
        try:
            in_force = self.books.in_force()
            found = in_force.revision
            if found not in (self._in_use, self._tried):
                self._tried = found
                await self.take()
            if (found or 0) != self._noted and not self.in_calls:
                now = self._now()
                stamp = Stamp(at=now, today=now.date(), hand=Hand.service, by="prices")
                await self._store.write(lambda records: note_in_force(records, stamp, in_force))
                self._noted = found or 0
        except Exception as error:  # noqa: BLE001 - whatever it is, the prices in use go on
            _LOG.warning("prices were not taken over: %s", error)

    async def _read_received(self, waiting: asyncio.Event) -> None:
        while True:
            waiting.clear()
            for file in self.books.received():
                if self.books.source(file.number).is_file():
                    await self._read(file)
            await waiting.wait()

    def _told(self, number: FileNumber, progress: Progress) -> None:
        self._progress[number] = structs.replace(progress, share=_READ * progress.share)

    async def _read(self, file: PriceFile) -> None:
        self._progress[file.number] = Progress(share=0, rows=0, errors=0)
        try:
            quotes = self._store.read(lambda records: open_quotes(records, file.supplier))
            source = str(self.books.source(file.number))
            job = job_of(self.books, self._catalogue, file, source=source, quotes=quotes)
            try:
                outcome = await run_job(job, lambda progress: self._told(file.number, progress))
            except ReadingFailed as error:
                outcome = failed(Path(job.target), str(error)), None
            read, difference = outcome
            if difference is not None and self.look_at_quotes is not None:
                difference = await self.look_at_quotes(job, file.number, difference)
            keep_outcome(self.books, file.number, job, (read, difference))
        except Exception as error:  # noqa: BLE001 - other files are still to be read
            _LOG.error("price file %s was not read: %s", file.number, error)
        finally:
            del self._progress[file.number]


def _settle(opened: BinaryIO) -> None:
    opened.flush()
    os.fsync(opened.fileno())
