"""Desk: the services and stores that calls on records share, assembled by the composition root."""

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
from kitwright.quote import Paper
from kitwright.web.calls.service import Service
from kitwright.web.edge.auth import Keyring


class Files(Protocol):
    """Stores photographs, by their SHA-256."""

    def put(self, data: bytes) -> str:
        """Store a file; return its SHA-256 in hex."""

    def get(self, sha256: str) -> bytes | None:
        """Return a file's bytes."""

    def drop(self, sha256: str) -> None:
        """Delete a file."""


class Letter(Struct, frozen=True, kw_only=True):
    """The contents of an e-mail to a customer: its subject matter, address, path of the link, and
    the shop's own text. `nonce` is new for each.
    """

    paper: Paper
    to: str
    path: str
    note: str | None
    at: datetime
    nonce: bytes


class Composed(Struct, frozen=True, kw_only=True):
    """An e-mail as an RFC 5322 message."""

    message_id: str
    body: bytes


class Desk:
    """A shop's service with its records.

    Args:
        service: quotes and assesses.
        store: stores the records.
        keyring: checks the keys.
        papers: makes documents.
        files: stores photographs.
        kind_of: returns a photograph's media type by its content, None for anything else.
        secret: signs the customers' links, 32 bytes.
        now: returns the current time, in UTC.
        draw: returns the given number of random bytes.
        make_hook_secret: returns a new secret that signs a webhook's events.
        check_target: returns a webhook's normalised URL, or raises if it is not allowed.
        compose: composes an e-mail.
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
        """Deletes the file of an e-mail, by its message id."""
        self.wake: Callable[[], None] = lambda: None
        """Called when an event or an e-mail may be waiting to be sent."""
        self.in_flight: set[tuple[str, str]] = set()
        """Key and idempotency key of every call in progress."""
        self.arriving = Counter[str]()
        """SHA-256 of every file that photographs in progress need -> how many of them."""
        self.file_lock = Lock()
        """Held while a file is stored."""
        self._zone = ZoneInfo(service.workshop.shop.time_zone)
        self._swept: date | None = None

    def renewed(
        self, service: Service, papers: ShopPapers, compose: Callable[[Letter], Composed]
    ) -> Desk:
        """Return a desk with the same records for a service that replaces this one.

        Keys, calls in progress and everything else are shared by both.
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
        """The overrun preset that the shop uses, None for none."""
        workshop = self.service.workshop
        chosen = workshop.shop.overrun
        return None if chosen is None else workshop.catalogue.overruns[chosen]

    def clock(self, moment: datetime, time_zone: str | None = None) -> datetime:
        """Return a time in a time zone, by default the shop's."""
        return moment.astimezone(self._zone if time_zone is None else ZoneInfo(time_zone))

    def today(self, moment: datetime | None = None) -> date:
        """Return the day of a time in the shop's time zone, by default today."""
        return self.clock(moment or self.now()).date()

    def stamp(self, request: Request[Any, Any, Any]) -> Stamp:
        """Return the caller and the current time."""
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
        """Mark expired offers, once a day, before they are read.

        If the store can't be written to, they stay unmarked until it can. Reading continues, and
        every act on an offer checks its last valid day itself.
        """
        now = self.now()
        today = self.today(now)
        if self._swept == today:
            return
        stamp = Stamp(at=now, today=today, hand=Hand.service, by="calendar")
        # read first, without writing: on most days no offer has expired
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
    """Return the current time, in UTC."""
    return datetime.now(UTC)
