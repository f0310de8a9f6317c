"""Desk: all that the calls of a shop need, put together by the composition root."""

from __future__ import annotations

import asyncio
import math
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time
from fractions import Fraction
from threading import Lock
from time import monotonic
from typing import Any, Concatenate, Final, ParamSpec, Protocol, TypeVar
from zoneinfo import ZoneInfo

from msgspec import Struct

from kitwright.catalogue.model import OverrunPreset, Shop, SupplierId
from kitwright.documents.closing_view import Closing
from kitwright.documents.papers import MadeOrder, ShopPapers
from kitwright.documents.slip_mail import SlipNews
from kitwright.keeping import offer
from kitwright.keeping.clock import Hours
from kitwright.keeping.record import Hand, Stamp
from kitwright.keeping.retaining import Terms
from kitwright.keeping.store import Records, Store, StoreFull, StoreUnavailable
from kitwright.memory import MIB, Memory
from kitwright.pricing import Pricing
from kitwright.quote import Paper
from kitwright.stages.supply import Stock, day_of_order
from kitwright.stages.work import Estimates
from kitwright.units import exact
from kitwright.web.calls.estimating import EstimateBook
from kitwright.web.calls.placing import arrivals
from kitwright.web.calls.pool import Pool
from kitwright.web.calls.service import EstimatesOn, Service
from kitwright.web.calls.stocking import Shelf, less, promised_before
from kitwright.web.edge.auth import Keyring
from kitwright.web.edge.gate import Gate

P = ParamSpec("P")
T = TypeVar("T")
_TRIED_SECONDS: Final = 1.0
"""How long a store that could be written to counts as one that can be."""


_NONCE_BYTES: Final = 16

_EARLIER: Final = 3
"""How many services are kept that another one took the place of."""


class Files(Protocol):
    """Where photographs lie, by their SHA-256."""

    def put(self, data: bytes) -> str:
        """Keep a file; return its SHA-256 in hex."""

    def get(self, sha256: str) -> bytes | None:
        """Return a file."""

    def drop(self, sha256: str) -> None:
        """Forget a file."""


class Letter(Struct, frozen=True, kw_only=True):
    """What a letter to a customer is to say: of what (of a visit that is over, its account), to
    which address, with a link of which path, and the shop's own words. `nonce` is new for each.
    """

    paper: Paper
    closing: Closing | None
    to: str
    path: str
    note: str | None
    at: datetime
    nonce: bytes


class OrderLetter(Struct, frozen=True, kw_only=True):
    """What a letter to a supplier is to say: the order, as files by the endings of their names too,
    to which address, and the shop's own words. `nonce` is new for each.
    """

    made: MadeOrder
    shop: Shop
    language: str
    to: str
    note: str | None
    at: datetime
    nonce: bytes
    files: dict[str, bytes]


class SlipLetter(Struct, frozen=True, kw_only=True):
    """What a letter to a customer is to say of parts that come later: of which quote, the days, to
    which address, and the shop's own words. `nonce` is new for each.
    """

    paper: Paper
    news: SlipNews
    to: str
    note: str | None
    at: datetime
    nonce: bytes


class WithdrawalLetter(Struct, frozen=True, kw_only=True):
    """The receipt of a customer's withdrawal: of which quote, and to which address. `nonce` is new
    for each.
    """

    paper: Paper
    to: str
    at: datetime
    nonce: bytes
    note: str | None = None


AnyLetter = Letter | OrderLetter | SlipLetter | WithdrawalLetter


class Composed(Struct, frozen=True, kw_only=True):
    """A letter as a message of RFC 5322."""

    message_id: str
    body: bytes


@dataclass(kw_only=True)
class Desk:
    """A shop's service with its records, and all that its calls need."""

    service: Service
    store: Store
    keyring: Keyring
    papers: ShopPapers
    files: Files
    kind_of: Callable[[bytes], str | None]
    """Returns a photograph's media type by its content, None if it is none."""
    secret: bytes
    """Signs the customers' links; 32 bytes."""
    now: Callable[[], datetime]
    """Returns the current time in UTC."""
    gate: Gate
    """Knows the current generation of the records."""
    draw: Callable[[int], bytes]
    """Returns as many random bytes as it is asked for."""
    make_hook_secret: Callable[[], str]
    """Returns a new secret by which a webhook's events are signed."""
    check_target: Callable[[str], str]
    """Returns a webhook's URL as it is stored, or raises if events may not be posted there."""
    compose: Callable[[AnyLetter], Composed]
    """Writes an e-mail to a customer or a supplier."""
    pricing: Pricing
    """The price book."""
    forget_mail: Callable[[str], None] = lambda _: None
    """Deletes an e-mail that lies in a folder, by its message id."""
    wake: Callable[[], None] = lambda: None
    """Called when an event or an e-mail may be waiting to be sent."""
    shelf: Shelf = field(default_factory=Shelf)
    """The free stock of the shelf's ledger. For the event loop's thread only."""
    estimate_book: EstimateBook = field(default_factory=EstimateBook)
    """The shop's own estimates. For the event loop's thread only."""
    supplied: Memory = field(default_factory=lambda: Memory(MIB))
    """Whether all parts orders are made, and can be, by quote, version, what it has of the shelf
    and the catalogue's revision: read again with every list. For the event loop's thread only.
    """
    in_flight: set[tuple[str, str]] = field(default_factory=set)
    """Key and idempotency key of every call in progress."""
    arriving: Counter[str] = field(default_factory=Counter)
    """SHA-256 of every file that a photograph in progress will need, and by how many."""
    file_lock: Any = field(default_factory=Lock)
    """Held while a file is stored."""
    _trying: asyncio.Lock = field(default_factory=asyncio.Lock)
    _tried_at: float = -math.inf
    documents: Pool = field(default_factory=lambda: Pool("documents", threads=2, most=32))
    """Makes PDFs, pages and letters."""
    pictures: Pool = field(default_factory=lambda: Pool("pictures", threads=2, most=16))
    """Checks and stores photographs."""
    purchases: Pool = field(default_factory=lambda: Pool("purchases", threads=1, most=8))
    """Finds from whom several quotes' parts are bought together."""
    quotes: Pool = field(default_factory=lambda: Pool("quotes", threads=1, most=1_000))
    """Computes quotes that look ahead, by the service `beside` this one."""
    erase_lock: asyncio.Lock = field(default_factory=asyncio.Lock)
    """Held while a customer is erased, from the beginning to the last file."""
    earlier: dict[str, Service] = field(default_factory=dict)
    """The services that this one took the place of, by revision, the last few: by them, choices of
    offers are priced that were made with them.
    """
    _swept: date | None = None

    def renewed(
        self,
        service: Service,
        papers: ShopPapers,
        compose: Callable[[AnyLetter], Composed],
    ) -> Desk:
        """Return the desk of the same records for a service that takes the place of this one.

        Keys, calls in progress and everything else are the same for both.
        """
        earlier = {**self.earlier, self.service.revision: self.service}
        earlier.pop(service.revision, None)
        kept = dict(list(earlier.items())[-_EARLIER:])
        return replace(self, service=service, papers=papers, compose=compose, earlier=kept)

    def service_of(self, revision: str) -> Service | None:
        """Return the service with a catalogue's revision, None if it is no longer there."""
        return self.service if revision == self.service.revision else self.earlier.get(revision)

    def remember(self, service: Service) -> None:
        """Keep a service that is not in use as an earlier one, in place of the oldest of them."""
        self.earlier[service.revision] = service
        for revision in list(self.earlier)[:-_EARLIER]:
            del self.earlier[revision]

    @property
    def currency(self) -> str:
        """The shop's currency."""
        return self.service.workshop.shop.currency

    @property
    def price_tolerance(self) -> Fraction:
        """By how many per cent a supplier's price or charges may be higher than agreed."""
        return exact(self.service.workshop.shop.purchasing.price_tolerance_percent)

    @property
    def link_days(self) -> int:
        """The most days by which a customer's link may outlive the offer's last valid day."""
        return self.service.workshop.shop.quote.link_days

    @property
    def overrun(self) -> OverrunPreset | None:
        """The overrun preset that the shop's owner chose, None for none."""
        return self.service.overrun

    def stock(self, quote: int | None = None) -> Stock:
        """Return what is free on the shelf now; for a quote, with what it has of it, but what came
        by its own orders, and without what is promised to machines of its fleet before its own. If
        the records can't be read, it is what was free before.
        """
        catalogue = self.service.workshop.catalogue

        def free(records: Records) -> Stock:
            stock = self.shelf.stock(records, catalogue, quote)
            if quote is None:
                return stock
            # what was ordered for it costs the same, whether it arrived or not
            stock = stock.without(arrivals(records, catalogue, quote))
            return less(stock, catalogue, promised_before(records, quote))

        try:
            return self.store.read(free)
        except StoreUnavailable:
            return self.shelf.before

    async def beside(
        self, work: Callable[Concatenate[Service, P], T], *args: P.args, **kwargs: P.kwargs
    ) -> T:
        """Return the result of work with a service like this one, done beside the event loop, so
        that other calls are answered meanwhile. Raises: Refusal: too-busy.
        """
        return await self.beside_with(self.service, work, *args, **kwargs)

    async def beside_with(
        self,
        service: Service,
        work: Callable[Concatenate[Service, P], T],
        *args: P.args,
        **kwargs: P.kwargs,
    ) -> T:
        """Return the result of work with a service, as `beside` does; `service` may be an earlier
        one. Raises: Refusal: too-busy.
        """
        return await self.quotes.run(lambda: work(service.beside, *args, **kwargs))

    def estimates_on(self) -> EstimatesOn:
        """Return what returns the shop's own estimates for quotes of a day. If the records can't be
        read, they are those of before.
        """
        with suppress(StoreUnavailable):
            return self.store.read(self.estimates_in)
        return self.estimate_book.on

    def estimates_in(self, records: Records) -> EstimatesOn:
        """Return what returns the shop's own estimates of a day, as the records have them."""
        self.estimate_book.read(records)
        return self.estimate_book.on

    def estimates_of(self, revision: int | None) -> Estimates:
        """Return a revision of the shop's own estimates; None is the catalogue's."""
        self.store.read(self.estimate_book.read)
        return self.estimate_book.of(revision)

    def clock(self, moment: datetime, time_zone: str | None = None) -> datetime:
        """Return a moment by the clock of a time zone, by default the shop's."""
        return moment.astimezone(ZoneInfo(time_zone or self.service.workshop.shop.time_zone))

    @property
    def hours(self) -> Hours:
        """The shop's time zone and its closing time."""
        shop = self.service.workshop.shop
        closes = None if shop.closes is None else time.fromisoformat(shop.closes)
        return Hours(ZoneInfo(shop.time_zone), closes)

    def today(self, moment: datetime | None = None) -> date:
        """Return the day of a moment in the shop's time zone, by default of now."""
        return self.clock(moment or self.now()).date()

    def order_days(self, moment: datetime) -> dict[SupplierId, date]:
        """Return the day that an order placed at a moment counts for, by supplier."""
        return {
            supplier.id: day_of_order(supplier, self.clock(moment, supplier.time_zone))
            for supplier in self.service.workshop.catalogue.suppliers.values()
        }

    def nonce(self) -> bytes:
        """Return random bytes that tell an e-mail from all others of what it is about."""
        return self.draw(_NONCE_BYTES)

    def stamp(self, hand: Hand, by: str, request_id: str = "") -> Stamp:
        """Return who acts, and that it is now."""
        now = self.now()
        return Stamp(at=now, today=self.today(now), hand=hand, by=by, request_id=request_id)

    @property
    def retention(self) -> Terms:
        """How long what stays of an erased customer does, by the tax area and the warranty."""
        workshop = self.service.workshop
        area = workshop.catalogue.tax_areas.get(workshop.shop.tax_area)
        warranty = workshop.shop.quote.warranty
        return Terms(
            years=None if area is None else area.retention_years,
            warranty_days=max(warranty.labour_days, warranty.alternate_parts_days),
        )

    async def try_store(self) -> None:
        """Write something, and read it back, unless that was done within the last second.

        Raises: StoreFull, StoreUnavailable.
        """
        async with self._trying:
            if monotonic() - self._tried_at < _TRIED_SECONDS:
                return
            written = await self.store.write(lambda records: records.trial.write())
            if self.store.read(lambda records: records.trial.read()) != written:
                raise StoreUnavailable("what was written is not what is read")
            self._tried_at = monotonic()

    async def sweep(self) -> None:
        """Mark the offers that have expired, once a day, before anyone sees them. If the clock was
        set back, those that are valid again are on offer again.

        If the store can't be written to, they stay as they are until it can: reading continues, and
        every act on an offer checks its last valid day itself.
        """
        stamp = self.stamp(Hand.service, "calendar")
        today = stamp.today
        # held records change only by their owner's hand
        if self._swept == today or self.gate.generation.is_held:
            return
        # read first, without writing: on most days nothing has expired
        if self.store.read(
            lambda records: records.quotes.overdue(today) or records.quotes.early(today)
        ):
            try:
                await self.store.write(lambda records: offer.mark_by_day(records, stamp))
            except (StoreFull, StoreUnavailable):
                return
            self.wake()
        self._swept = today


def utc_now() -> datetime:
    """Return the moment, in UTC."""
    return datetime.now(UTC)
