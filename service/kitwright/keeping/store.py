"""Store: the protocol for storing records, and its errors.

An engine must pass the tests in `tests/store/contract.py`; no other requirement applies.
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
    """Storing or finding records failed; nothing of the transaction is stored."""

    code = "store-error"


class StoreFull(StoreError):
    """The disk has no space left."""

    code = "storage-full"


class StoreUnavailable(StoreError):
    """The records can't be written, or can't even be read, for now."""

    code = "storage-unavailable"


class RevisionSealed(StoreError):
    """A change to an issued revision other than its later states."""

    code = "revision-sealed"


class RecordMissing(StoreError):
    """A change to a record that is not stored."""

    code = "record-missing"


class RecordConflict(StoreError):
    """A new record whose place is taken, or a record that names another that is not stored."""

    code = "record-conflict"


class QuoteFilter(Struct, frozen=True, kw_only=True):
    """The quotes that meet every condition, newest first.

    Each of `words` begins a word of the customer's name, the machine's name or a serial number, as
    `kitwright.keeping.words` splits them. A word with punctuation inside is searched as consecutive
    words; one of punctuation alone is ignored. Days are inclusive. `before` is the number below
    which to continue.
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

    In all protocols here, a look-up of one record returns None if it is not stored. Replacing or
    marking raises RecordMissing if the record is not stored. Adding raises RecordConflict if its
    place is taken. Both raise RecordConflict if they name a record that is not stored.
    """

    def add(self, quote: KeptQuote) -> KeptQuote:
        """Add a new quote; return it with its number."""

    def get(self, number: int) -> KeptQuote | None:
        """Return the quote of a number, or None."""

    def put(self, quote: KeptQuote) -> None:
        """Replace a stored quote."""

    def find(self, wanted: QuoteFilter) -> tuple[KeptQuote, ...]:
        """Return at most `wanted.most` quotes, newest first."""

    def naming(self, customer: int | None, machine: int | None) -> tuple[KeptQuote, ...]:
        """Return the quotes with a revision that names a customer, or a machine, newest first.

        None names nothing.
        """

    def overdue(self, today: date) -> tuple[KeptQuote, ...]:
        """Return the quotes whose offered revision has expired."""

    def add_revision(self, revision: Revision) -> None:
        """Add a new revision."""

    def put_revision(self, revision: Revision) -> None:
        """Replace a revision. Of an issued one, only the state may change; its bodies may be
        replaced to erase personal data.

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
        """Change the state of a revision; on issue, also its time, the part shown and its hash.

        Raises: RevisionSealed, if an issued one would be a draft again or issued again.
        """

    def revision(self, quote: int, number: int) -> Revision | None:
        """Return a revision with its bodies, or None."""

    def revisions(self, quote: int) -> tuple[Revision, ...]:
        """Return all revisions in order, with empty bodies."""

    def authorise(self, given: Authorisation) -> None:
        """Add an authorisation, at most one for each revision."""

    def authorisations(self, quote: int) -> tuple[Authorisation, ...]:
        """Return the authorisations of a quote, oldest first."""

    def put_authorisation(self, given: Authorisation) -> None:
        """Replace an authorisation, to erase who gave it."""

    def add_addition(self, addition: Addition) -> Addition:
        """Add an addition; return it with its number, which counts within the quote."""

    def additions(self, quote: int) -> tuple[Addition, ...]:
        """Return the additions of a quote, oldest first."""

    def put_addition(self, addition: Addition) -> None:
        """Replace an addition, to erase its words."""


class People(Protocol):
    """Customers and their machines."""

    def add_customer(self, customer: Customer) -> Customer:
        """Add a new customer; return it with its number."""

    def customer(self, number: int) -> Customer | None:
        """Return the customer of a number, or None."""

    def put_customer(self, customer: Customer) -> None:
        """Replace a customer, and update the search by name."""

    def customers(
        self, words: Sequence[str], before: int | None, most: int
    ) -> tuple[Customer, ...]:
        """Return customers, newest first. Each of `words` begins a word of their name, as in a
        QuoteFilter.
        """

    def add_machine(self, machine: Machine) -> Machine:
        """Add a new machine; return it with its number."""

    def machine(self, number: int) -> Machine | None:
        """Return the machine of a number, or None."""

    def put_machine(self, machine: Machine) -> None:
        """Replace a machine, and update the search by name and serial number."""

    def machines(self, customer: int | None, before: int | None, most: int) -> tuple[Machine, ...]:
        """Return machines, newest first; only those of one customer if one is given."""


class Orders(Protocol):
    """Parts orders."""

    def add(self, order: KeptOrder) -> KeptOrder:
        """Add a new order; return it with its number."""

    def get(self, number: int) -> KeptOrder | None:
        """Return the order of a number with its body, or None."""

    def put(self, order: KeptOrder) -> None:
        """Replace an order."""

    def find(
        self, quote: int | None, supplier: str | None, before: int | None, most: int
    ) -> tuple[KeptOrder, ...]:
        """Return orders, newest first, with their bodies."""


class Photos(Protocol):
    """The records of photographs; their files are stored elsewhere."""

    def add(self, photo: Photo) -> Photo:
        """Add a new photograph; return it with its number."""

    def get(self, number: int) -> Photo | None:
        """Return the photograph of a number, or None."""

    def of_quote(self, quote: int) -> tuple[Photo, ...]:
        """Return the photographs of a quote, oldest first."""

    def drop(self, number: int) -> None:
        """Delete a photograph. Does nothing if there is none."""

    def hashes(self) -> frozenset[str]:
        """Return the SHA-256 of every file that a photograph needs."""


class Keys(Protocol):
    """API keys."""

    def add(self, key: KeyRecord) -> None:
        """Add a new key."""

    def get(self, id: str) -> KeyRecord | None:  # noqa: A002 - the word of the wire
        """Return the key of an id, or None."""

    def put(self, key: KeyRecord) -> None:
        """Replace a key."""

    def every(self) -> tuple[KeyRecord, ...]:
        """Return all keys, oldest first."""

    def secret(self, name: str) -> bytes | None:
        """Return a secret of the service itself by its name, or None."""

    def add_secret(self, name: str, value: bytes) -> None:
        """Add a secret of the service itself; it can't be replaced."""


class Events(Protocol):
    """The feed of events, its hooks, and the deliveries that wait."""

    def add(self, event: Event, only: int | None = None) -> Event:
        """Add an event; return it with its place in the feed. A delivery is queued for every active
        hook that takes its kind, or only for the hook with the number `only`.
        """

    def after(self, seq: int, most: int) -> tuple[Event, ...]:
        """Return at most `most` events in order, beginning after a place."""

    def of_subject(self, subject: str) -> tuple[Event, ...]:
        """Return all events of one subject, in order."""

    def last(self) -> int:
        """Return the place of the newest event, 0 where there is none."""

    def add_hook(self, hook: Hook) -> Hook:
        """Add a new hook; return it with its number."""

    def hook(self, number: int) -> Hook | None:
        """Return the hook of a number, or None."""

    def put_hook(self, hook: Hook) -> None:
        """Replace a hook."""

    def drop_hook(self, number: int) -> None:
        """Delete a hook and the deliveries that wait for it. Does nothing if there is none."""

    def hooks(self) -> tuple[Hook, ...]:
        """Return all hooks, oldest first."""

    def due(self, now: datetime, most: int) -> tuple[DueDelivery, ...]:
        """Return the due deliveries, longest due first: for each active hook, the earliest event in
        the feed.

        The feed decides which event is the earliest, because times are those of calls, not of
        commits.
        """

    def soonest(self) -> datetime | None:
        """Return when the next delivery is due; None if none waits."""

    def defer(self, hook: int, seq: int, next_at: datetime) -> None:
        """Postpone a delivery and count one more attempt. Does nothing if none waits."""

    def settle(self, hook: int, seq: int) -> None:
        """End a delivery: the event was posted or given up. Does nothing if none waits."""


class Mails(Protocol):
    """E-mails to customers: those that wait, and the outcome of the others."""

    def add(self, mail: Mail) -> Mail:
        """Add a new e-mail; return it with its number. Its message id must be unique."""

    def get(self, number: int) -> Mail | None:
        """Return the e-mail of a number with its body, or None."""

    def put(self, mail: Mail) -> None:
        """Replace an e-mail."""

    def of_quote(self, quote: int) -> tuple[Mail, ...]:
        """Return the e-mails of a quote with their bodies, oldest first."""

    def to(self, address: str) -> tuple[Mail, ...]:
        """Return the e-mails to an address with their bodies, oldest first. The case of ASCII
        letters is ignored.
        """

    def due(self, now: datetime, most: int) -> tuple[Mail, ...]:
        """Return the queued e-mails that are due, with their bodies, longest due first."""

    def soonest(self) -> datetime | None:
        """Return when the next queued e-mail is due; None if none waits."""


class Answers(Protocol):
    """Stored answers to calls with idempotency keys."""

    def get(self, key: str, idempotency_key: str, now: datetime) -> KeptAnswer | None:
        """Return an answer that has not expired, or None."""

    def add(self, answer: KeptAnswer, now: datetime) -> None:
        """Add an answer, in place of an expired one; delete some that have expired.

        Raises: RecordConflict, while another is stored for the same call.
        """

    def forget(self) -> None:
        """Delete all answers, because the data that they hold was erased."""


class Records(Protocol):
    """All stored records, as one reader or one transaction sees them."""

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
        """E-mails to customers."""

    @property
    def answers(self) -> Answers:
        """Stored answers to calls with idempotency keys."""


class Store(Protocol):
    """Stores records.

    A transaction is done completely or not at all, and sees no unfinished changes of another. Its
    result is returned only once it would survive a power failure. An exception that it raises is
    raised again and undoes only its own changes. StopIteration, and exceptions that would end a
    program, are raised as the cause of a RuntimeError. Transactions run one after the other.
    """

    def read(self, work: Callable[[Records], T]) -> T:
        """Return the result of work on one consistent view of the records, which it must not
        change.

        Raises: StoreUnavailable, also if the work would change something.
        """

    async def write(self, work: Callable[[Records], T]) -> T:
        """Return the result of a transaction once it is stored.

        The work may run in another thread: it must use only its own records and values.

        Raises: StoreFull, StoreUnavailable, and any exception of the work.
        """
