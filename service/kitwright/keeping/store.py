"""Store: the protocol of whatever keeps records, and how keeping can fail.

An engine passes the tests in `tests/store/contract.py`, nothing else is asked of it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, datetime
from typing import Protocol, TypeVar

from msgspec import Struct

from kitwright.errors import KitwrightError
from kitwright.keeping.record import (
    Addition,
    Authorisation,
    Customer,
    DueDelivery,
    Event,
    Hook,
    KeptAnswer,
    KeptOrder,
    KeptQuote,
    KeyRecord,
    Machine,
    Mail,
    Photo,
    QuoteState,
    Revision,
    RevisionState,
)

T = TypeVar("T")


class StoreError(KitwrightError):
    """Keeping or finding records failed; nothing of the work is kept."""

    code = "store-error"


class StoreFull(StoreError):
    """There is no room for more."""

    code = "storage-full"


class StoreUnavailable(StoreError):
    """The records can't be written, or not even be read, for now."""

    code = "storage-unavailable"


class RevisionSealed(StoreError):
    """A change to a revision that was issued, beyond what may become of it."""

    code = "revision-sealed"


class RecordMissing(StoreError):
    """A change to a record that is not kept."""

    code = "record-missing"


class RecordConflict(StoreError):
    """A new record whose place is taken, or a record that names another that is not kept."""

    code = "record-conflict"


class QuoteFilter(Struct, frozen=True, kw_only=True):
    """Which quotes: all that meet every condition, newest first.

    `words` each begin a word of the customer's name, the machine's name or a serial number, as
    `kitwright.keeping.words` takes words; one with signs inside is sought as words in a row, one of
    signs alone asks nothing. Days are inclusive. `before` is the number to go on below.
    """

    states: tuple[QuoteState, ...] = ()
    customer: int | None = None
    machine: int | None = None
    made_from: date | None = None
    made_to: date | None = None
    words: tuple[str, ...] = ()
    before: int | None = None
    most: int = 50


class Quotes(Protocol):
    """Quotes with their revisions, authorisations and additions.

    Here and below: what replaces or marks raises RecordMissing where there is nothing to replace,
    what adds raises RecordConflict where its place is taken, and both raise RecordConflict where
    they name a record that is not kept.
    """

    def add(self, quote: KeptQuote) -> KeptQuote:
        """Keep a new quote; return it with its number."""

    def get(self, number: int) -> KeptQuote | None:
        """Return a quote."""

    def put(self, quote: KeptQuote) -> None:
        """Replace a quote that is kept."""

    def find(self, wanted: QuoteFilter) -> tuple[KeptQuote, ...]:
        """Return at most `wanted.most` quotes, newest first."""

    def naming(self, customer: int | None, machine: int | None) -> tuple[KeptQuote, ...]:
        """Return the quotes of which a revision names a customer, or a machine, newest first.

        None names nothing.
        """

    def overdue(self, today: date) -> tuple[KeptQuote, ...]:
        """Return the quotes whose offered revision is valid no more."""

    def add_revision(self, revision: Revision) -> None:
        """Keep a new revision."""

    def put_revision(self, revision: Revision) -> None:
        """Replace a revision. Of an issued one everything but its state is refused to change,
        save that a body may be replaced to erase what is personal in it.

        Raises: RevisionSealed.
        """

    def mark_revision(
        self,
        quote: int,
        number: int,
        state: RevisionState,
        *,
        issued_at: datetime | None = None,
        sha256: str | None = None,
        shown: bytes | None = None,
    ) -> None:
        """Give a revision another state; with it, when it is issued, the moment, what is shown of
        it and the hash of that.

        Raises: RevisionSealed, where an issued one would be a draft again or issued anew.
        """

    def revision(self, quote: int, number: int) -> Revision | None:
        """Return a revision with its body."""

    def revisions(self, quote: int) -> tuple[Revision, ...]:
        """Return all revisions in order, with empty bodies."""

    def authorise(self, given: Authorisation) -> None:
        """Keep an authorisation, one a revision."""

    def authorisations(self, quote: int) -> tuple[Authorisation, ...]:
        """Return the authorisations of a quote, oldest first."""

    def put_authorisation(self, given: Authorisation) -> None:
        """Replace an authorisation, to erase who gave it."""

    def add_addition(self, addition: Addition) -> Addition:
        """Keep an addition; return it with its number, which counts within the quote."""

    def additions(self, quote: int) -> tuple[Addition, ...]:
        """Return the additions of a quote, oldest first."""

    def put_addition(self, addition: Addition) -> None:
        """Replace an addition, to erase its words."""


class People(Protocol):
    """Customers and their machines."""

    def add_customer(self, customer: Customer) -> Customer:
        """Keep a new customer; return it with its number."""

    def customer(self, number: int) -> Customer | None:
        """Return a customer."""

    def put_customer(self, customer: Customer) -> None:
        """Replace a customer; the search knows the new name."""

    def customers(
        self, words: Sequence[str], before: int | None, most: int
    ) -> tuple[Customer, ...]:
        """Return customers, newest first, with a word of their name beginning with each word, as
        in a QuoteFilter.
        """

    def add_machine(self, machine: Machine) -> Machine:
        """Keep a new machine; return it with its number."""

    def machine(self, number: int) -> Machine | None:
        """Return a machine."""

    def put_machine(self, machine: Machine) -> None:
        """Replace a machine; the search knows its new name and serial."""

    def machines(self, customer: int | None, before: int | None, most: int) -> tuple[Machine, ...]:
        """Return machines, newest first, of one customer where one is given."""


class Orders(Protocol):
    """Parts orders."""

    def add(self, order: KeptOrder) -> KeptOrder:
        """Keep a new order; return it with its number."""

    def get(self, number: int) -> KeptOrder | None:
        """Return an order with its body."""

    def put(self, order: KeptOrder) -> None:
        """Replace an order."""

    def find(
        self, quote: int | None, supplier: str | None, before: int | None, most: int
    ) -> tuple[KeptOrder, ...]:
        """Return orders, newest first, with their bodies."""


class Photos(Protocol):
    """What is known of photographs; their files are kept elsewhere."""

    def add(self, photo: Photo) -> Photo:
        """Keep a new photograph; return it with its number."""

    def get(self, number: int) -> Photo | None:
        """Return a photograph."""

    def of_quote(self, quote: int) -> tuple[Photo, ...]:
        """Return the photographs of a quote, oldest first."""

    def drop(self, number: int) -> None:
        """Forget a photograph. Nothing where there is none."""

    def hashes(self) -> frozenset[str]:
        """Return the SHA-256 of every file that a photograph needs."""


class Keys(Protocol):
    """API keys."""

    def add(self, key: KeyRecord) -> None:
        """Keep a new key."""

    def get(self, id: str) -> KeyRecord | None:  # noqa: A002 - the word of the wire
        """Return a key."""

    def put(self, key: KeyRecord) -> None:
        """Replace a key."""

    def every(self) -> tuple[KeyRecord, ...]:
        """Return all keys, oldest first."""

    def secret(self, name: str) -> bytes | None:
        """Return a secret of the service's own."""

    def add_secret(self, name: str, value: bytes) -> None:
        """Keep a secret of the service's own, once."""


class Events(Protocol):
    """The feed, and what of it waits to be posted."""

    def add(self, event: Event, only: int | None = None) -> Event:
        """Keep an event; return it with its place in the feed. It waits for every active hook
        that takes its kind, or for `only` one, by its number.
        """

    def after(self, seq: int, most: int) -> tuple[Event, ...]:
        """Return events in order, from the first after a place."""

    def of_subject(self, subject: str) -> tuple[Event, ...]:
        """Return all events of one subject, in order."""

    def last(self) -> int:
        """Return the place of the newest event, 0 where there is none."""

    def add_hook(self, hook: Hook) -> Hook:
        """Keep a new hook; return it with its number."""

    def hook(self, number: int) -> Hook | None:
        """Return a hook."""

    def put_hook(self, hook: Hook) -> None:
        """Replace a hook."""

    def drop_hook(self, number: int) -> None:
        """Forget a hook, and what waits for it. Nothing where there is none."""

    def hooks(self) -> tuple[Hook, ...]:
        """Return all hooks, oldest first."""

    def due(self, now: datetime, most: int) -> tuple[DueDelivery, ...]:
        """Return what is to be posted by now: of each active hook what comes first in the feed,
        since its moment is that of the call and not of the commit; of those the longest due first.
        """

    def soonest(self) -> datetime | None:
        """Return when the next post is due."""

    def defer(self, hook: int, seq: int, next_at: datetime) -> None:
        """Try an event again later: its attempt counts one more. Nothing where none waits."""

    def settle(self, hook: int, seq: int) -> None:
        """Wait with an event no more: it was posted, or given up. Nothing where none waits."""


class Mails(Protocol):
    """Mails to customers: those that wait, and what became of the others."""

    def add(self, mail: Mail) -> Mail:
        """Keep a new mail; return it with its number. Its message id is no other's."""

    def get(self, number: int) -> Mail | None:
        """Return a mail with its body."""

    def put(self, mail: Mail) -> None:
        """Replace a mail."""

    def of_quote(self, quote: int) -> tuple[Mail, ...]:
        """Return the mails of a quote with their bodies, oldest first."""

    def to(self, address: str) -> tuple[Mail, ...]:
        """Return the mails to an address with their bodies, oldest first. Whether its letters are
        capital makes no difference, as far as they are ASCII.
        """

    def due(self, now: datetime, most: int) -> tuple[Mail, ...]:
        """Return queued mails whose time has come, with their bodies, the longest due first."""

    def soonest(self) -> datetime | None:
        """Return when the next queued mail is due; None where none waits."""


class Answers(Protocol):
    """Answers that are given again."""

    def get(self, key: str, idempotency_key: str, now: datetime) -> KeptAnswer | None:
        """Return an answer that has not expired."""

    def add(self, answer: KeptAnswer, now: datetime) -> None:
        """Keep an answer, in place of an expired one; forget some that have expired.

        Raises: RecordConflict, while another is kept for the same call.
        """

    def forget(self) -> None:
        """Forget all answers, since what they hold was erased."""


class Records(Protocol):
    """All that is kept, as one reader or one piece of work sees it."""

    @property
    def quotes(self) -> Quotes:
        """Quotes."""

    @property
    def people(self) -> People:
        """Customers and machines."""

    @property
    def orders(self) -> Orders:
        """Parts orders."""

    @property
    def photos(self) -> Photos:
        """Photographs."""

    @property
    def keys(self) -> Keys:
        """API keys and secrets."""

    @property
    def events(self) -> Events:
        """The feed and its hooks."""

    @property
    def mails(self) -> Mails:
        """Mails to customers."""

    @property
    def answers(self) -> Answers:
        """Answers that are given again."""


class Store(Protocol):
    """Keeps records.

    A piece of work is done whole or not at all, and sees no other's half-done changes. What it
    returns comes back only when it would survive a power cut; what it raises is raised again, and
    undoes only its own changes: StopIteration and what would end a program as the cause of a
    RuntimeError. Pieces of work run one after the other.
    """

    def read(self, work: Callable[[Records], T]) -> T:
        """Return what work on one consistent view of the records returns; it may change nothing.

        Raises: StoreUnavailable, also where the work would change something.
        """

    async def write(self, work: Callable[[Records], T]) -> T:
        """Return what a piece of work returns, once it is kept.

        The work may run in another thread: it touches the records and values of its own only.

        Raises: StoreFull, StoreUnavailable, and whatever the work raises.
        """
