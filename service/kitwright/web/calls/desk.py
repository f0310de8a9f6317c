"""Desk: what every kept resource needs, put together by the composition root."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from copy import copy
from datetime import UTC, date, datetime
from hashlib import blake2b
from threading import Lock
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from litestar import Request
from msgspec import Struct

from kitwright.catalogue.model import OverrunPreset
from kitwright.documents.papers import ShopPapers
from kitwright.keeping import offer
from kitwright.keeping.record import Hand, Stamp
from kitwright.keeping.store import Store, StoreFull, StoreUnavailable
from kitwright.memory import MIB, Memory
from kitwright.quote import Paper
from kitwright.stages.supply import Stock
from kitwright.web.calls.service import Service
from kitwright.web.calls.stocking import Shelf
from kitwright.web.edge.auth import Keyring


class Files(Protocol):
    """Where photographs lie, by their SHA-256."""

    def put(self, data: bytes) -> str:
        """Keep a file; return its SHA-256 in hex."""

    def get(self, sha256: str) -> bytes | None:
        """Return a file."""

    def drop(self, sha256: str) -> None:
        """Forget a file."""


class Letter(Struct, frozen=True, kw_only=True):
    """What a letter to a customer is to say: of what, to which address, with a link of which path,
    and the shop's own words. `nonce` is new for each.
    """

    paper: Paper
    to: str
    path: str
    note: str | None
    at: datetime
    nonce: bytes


class Composed(Struct, frozen=True, kw_only=True):
    """A letter as a message of RFC 5322."""

    message_id: str
    body: bytes


class Desk:
    """A shop's service with its records.

    Args:
        service: quotes and assesses.
        store: keeps.
        keyring: knows the keys.
        papers: makes documents.
        files: keeps photographs.
        kind_of: tells a photograph's media type by its content, None for anything else.
        secret: signs the customers' links, 32 bytes.
        now: the moment, in UTC.
        draw: gives as many random bytes as it is asked for.
        make_hook_secret: makes the secret that a webhook's events are signed with.
        check_target: returns where a webhook leads, as it is kept, or raises where it may not.
        compose: writes a letter.
    """

    def __init__(
        self,
        service: Service,
        store: Store,
        keyring: Keyring,
        *,
        papers: ShopPapers,
        files: Files,
        kind_of: Callable[[bytes], str | None],
        secret: bytes,
        now: Callable[[], datetime],
        draw: Callable[[int], bytes],
        make_hook_secret: Callable[[], str],
        check_target: Callable[[str], str],
        compose: Callable[[Letter], Composed],
    ) -> None:
        self.service = service
        self.store = store
        self.keyring = keyring
        self.papers = papers
        self.files = files
        self.kind_of = kind_of
        self.secret = secret
        self.now = now
        self.draw = draw
        self.make_hook_secret = make_hook_secret
        self.check_target = check_target
        self.compose = compose
        self.forget_mail: Callable[[str], None] = lambda _: None
        """Deletes a letter that lies in a folder, by its message id."""
        self.wake: Callable[[], None] = lambda: None
        """Told when an event or a mail may wait to be sent."""
        self.shelf = Shelf(store)
        """The free stock of the shelf's ledger. For the event loop's thread alone."""
        self.supplied = Memory(MIB)
        """Whether all parts orders are made, by quote, version, what it has of the shelf and the
        catalogue's revision: asked again at every reading of a list. For the event loop's thread
        alone.
        """
        self.in_flight: set[tuple[str, str]] = set()
        """Key and idempotency key of every call that is being answered."""
        self.arriving = Counter[str]()
        """SHA-256 of every file that a photograph under way will need, and by how many."""
        self.file_lock = Lock()
        """Held while a file is kept."""
        self._zone = ZoneInfo(service.workshop.shop.time_zone)
        self._swept: date | None = None

    def renewed(
        self, service: Service, papers: ShopPapers, compose: Callable[[Letter], Composed]
    ) -> Desk:
        """Return the desk of the same records for a service that takes the place of this one.

        Keys, calls under way and everything else are the same for both.
        """
        fresh = copy(self)
        fresh.service = service
        fresh.papers = papers
        fresh.compose = compose
        fresh._zone = ZoneInfo(service.workshop.shop.time_zone)
        return fresh

    @property
    def currency(self) -> str:
        """The shop's currency."""
        return self.service.workshop.shop.currency

    @property
    def overrun(self) -> OverrunPreset | None:
        """The overrun preset that the shop's owner chose, None for none."""
        workshop = self.service.workshop
        chosen = workshop.shop.overrun
        return None if chosen is None else workshop.catalogue.overruns[chosen]

    def stock(self, quote: int | None = None) -> Stock:
        """Return what is free on the shelf now; for a quote, with what it has of it."""
        return self.shelf.stock(self.service.workshop.catalogue, quote)

    def clock(self, moment: datetime, time_zone: str | None = None) -> datetime:
        """Return a moment by the clock of a time zone, the shop's where none is named."""
        return moment.astimezone(self._zone if time_zone is None else ZoneInfo(time_zone))

    def today(self, moment: datetime | None = None) -> date:
        """Return the day of a moment in the shop's time zone, by default of now."""
        return self.clock(moment or self.now()).date()

    def stamp(self, request: Request[Any, Any, Any]) -> Stamp:
        """Return who calls, and when."""
        state = request.scope["state"]
        now = self.now()
        return Stamp(
            at=now,
            today=self.today(now),
            hand=Hand.key,
            by=state["key"],
            request_id=state.get("request_id", ""),
        )

    async def sweep(self) -> None:
        """Mark the offers that ran out, once a day, before anybody sees them.

        Where the store can't be written to they stay as they are until it can: reading goes on,
        and every act on an offer looks at its last valid day itself.
        """
        now = self.now()
        today = self.today(now)
        if self._swept == today:
            return
        stamp = Stamp(at=now, today=today, hand=Hand.service, by="calendar")
        # looked at without writing first: on most days nothing ran out
        if self.store.read(lambda records: records.quotes.overdue(today)):
            try:
                await self.store.write(lambda records: offer.expire_overdue(records, stamp))
            except (StoreFull, StoreUnavailable):
                return
            self.wake()
        self._swept = today


def tag(kind: str, number: int | str, version: int) -> str:
    """Return the entity tag of a version of a record."""
    text = f"{kind}:{number}:{version}".encode()
    return f'"{blake2b(text, digest_size=16).hexdigest()}"'


def utc_now() -> datetime:
    """Return the moment, in UTC."""
    return datetime.now(UTC)
