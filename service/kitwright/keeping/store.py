"""Store: the protocol for storing records, and its errors.

An engine must pass the tests in `tests/store/contract.py`; no other requirement applies.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, datetime
from typing import Protocol, TypeVar

from msgspec import Struct

from kitwright.errors import KitwrightError
from kitwright.keeping.aftercare import Claim, ClaimState, KeptComeBack, Notice
from kitwright.keeping.generation import Belonging, Generation
from kitwright.keeping.ledger import Shelf
from kitwright.keeping.record import (
    Addition,
    Allocation,
    Authorisation,
    ClockEntry,
    Customer,
    Disposal,
    DueDelivery,
    Erasure,
    EstimateEntry,
    Event,
    Handover,
    Hook,
    KeptAnswer,
    KeptBill,
    KeptCatalogue,
    KeptOrder,
    KeptQuote,
    KeptStatement,
    KeyRecord,
    Machine,
    Mail,
    OrderEntry,
    OrderState,
    Payment,
    Photo,
    QuoteState,
    Retention,
    Revision,
    RevisionState,
    Ticket,
    Waiting,
)

T = TypeVar("T")
R = TypeVar("R")


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


class RecordDamaged(StoreError):
    """A record that is no longer as it was stored: nothing of it can be trusted or shown.

    `key` identifies the record among those of its `table`.
    """

    code = "record-damaged"

    def __init__(self, table: str, key: tuple[object, ...]) -> None:
        named = " ".join(map(str, key)) or "a record"
        super().__init__(
            f"{table} {named}: the stored record has changed since it was written, so it is not "
            "shown or used; `kitwright doctor` lists every such record"
        )
        self.table = table
        self.key = key


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


class Kept(Protocol[R]):
    """Records of one kind, each with a key: its number, its id, or a quote with its own number.

    Adding raises RecordConflict if the record's place is taken. Replacing raises RecordMissing if
    it is not stored. Both raise RecordConflict if it names a record that is not stored.
    """

    def add(self, record: R) -> R:
        """Add a new record; return it with its number, if it has one of its own."""

    def get(self, *key: int | str) -> R | None:
        """Return the record of a key, or None."""

    def put(self, record: R) -> None:
        """Replace the record of the same key."""


class OfQuote(Kept[R], Protocol[R]):
    """Records that belong to quotes."""

    def of_quote(self, quote: int) -> tuple[R, ...]:
        """Return the records of a quote, oldest first."""

    def sound_of_quote(self, quote: int) -> tuple[R, ...]:
        """Return the records of a quote, oldest first. Damaged ones are set aside."""


class Quotes(Kept[KeptQuote], Protocol):
    """Quotes, without their revisions."""

    def find(self, wanted: QuoteFilter) -> tuple[KeptQuote, ...]:
        """Return at most `wanted.most` quotes, newest first."""

    def of_fleet(self, fleet: int) -> tuple[KeptQuote, ...]:
        """Return the quotes of a fleet, oldest first."""

    def of_ticket(self, ticket: int) -> tuple[KeptQuote, ...]:
        """Return the quotes that show a revision with a ticket, oldest first."""

    def naming(self, customer: int | None, machine: int | None) -> tuple[KeptQuote, ...]:
        """Return the quotes with a revision that names a customer, or a machine, newest first.

        None names nothing.
        """

    def of_customer(
        self, customer: int, before: int | None, most: int, *, is_open: bool = False
    ) -> tuple[KeptQuote, ...]:
        """Return at most `most` quotes below a number, newest first, with a revision that names a
        customer or a machine of that customer.

        Args:
            is_open: only those of which a revision is offered, or agreed and not done.
        """

    def index(self, quote: KeptQuote) -> None:
        """Update the search for a quote whose customer or machine was erased."""

    def hide(self, number: int) -> None:
        """Remove a quote from the search, because its record is damaged."""

    def early(self, today: date) -> tuple[KeptQuote, ...]:
        """Return the expired quotes that are valid until a day or longer: a clock was ahead."""

    def overdue(self, today: date) -> tuple[KeptQuote, ...]:
        """Return the quotes whose offered revision has expired."""


class Revisions(OfQuote[Revision], Protocol):
    """Revisions, by quote and number; those of a quote are listed with empty bodies.

    Of an issued revision, only the state may be replaced; its bodies may be, to erase personal
    data. Otherwise RevisionSealed is raised.
    """

    def mark(
        self, quote: int, number: int, state: RevisionState, reason: str | None = None
    ) -> None:
        """Change the state of a revision. If it is declined, `reason` is the customer's for it, in
        place of the shop's.

        Raises: RevisionSealed, if an issued one would be a draft again.
        """


class Customers(Kept[Customer], Protocol):
    """Customers. The search follows their names; that for quotes follows erasing by `index`."""

    def find(self, words: Sequence[str], before: int | None, most: int) -> tuple[Customer, ...]:
        """Return customers, newest first. Each of `words` begins a word of their name, as in a
        QuoteFilter.
        """

    def tidy_search(self, *, is_first: bool) -> bool:
        """Rewrite a part of the search, so that nothing of removed words is left; return whether
        none is left. `is_first` begins with the whole of it.
        """


class Machines(Kept[Machine], Protocol):
    """Machines. The search follows their names and serial numbers; of erased ones by `index`."""

    def find(self, customer: int | None, before: int | None, most: int) -> tuple[Machine, ...]:
        """Return machines, newest first; only those of one customer if one is given."""


class Tickets(Kept[Ticket], Protocol):
    """Tickets of machines that were taken in."""

    def find(
        self, customer: int | None, machine: int | None, before: int | None, most: int
    ) -> tuple[Ticket, ...]:
        """Return tickets, newest first; only those of a customer or a machine if one is given."""


class Orders(Kept[KeptOrder], Protocol):
    """Parts orders."""

    def find(
        self,
        quote: int | None,
        supplier: str | None,
        before: int | None,
        most: int,
        state: OrderState | None = None,
    ) -> tuple[KeptOrder, ...]:
        """Return orders, newest first, with their bodies: those of a quote are all that have an
        allocation for it.
        """


class Allocations(Protocol):
    """What each revision has of the orders; an allocation never changes."""

    def add(self, record: Allocation) -> Allocation:
        """Add an allocation. Raises: RecordConflict."""

    def of_order(self, order: int) -> tuple[Allocation, ...]:
        """Return the allocations of an order, in the order in which they were added."""


class OrderEntries(Protocol):
    """What happened to the orders; an entry never changes."""

    def add(self, record: OrderEntry) -> OrderEntry:
        """Add an entry; return it with its number within its order. Raises: RecordConflict."""

    def of_order(self, order: int) -> tuple[OrderEntry, ...]:
        """Return the entries of an order, oldest first."""


class Statements(Protocol):
    """Statements, one for each finished quote. Only personal data may be removed from one."""

    def add(self, record: KeptStatement) -> KeptStatement:
        """Add a statement. Raises: RecordConflict, if its quote has one."""

    def get(self, *key: int | str) -> KeptStatement | None:
        """Return the statement of a quote, or None."""

    def put(self, record: KeptStatement) -> None:
        """Replace a statement by itself without personal data. Raises: RecordMissing."""


class Payments(Protocol):
    """What customers paid, in advance or on statements; a payment never changes."""

    def add(self, record: Payment) -> Payment:
        """Add a payment; return it with its number within its quote. Raises: RecordConflict."""

    def of_quote(self, quote: int) -> tuple[Payment, ...]:
        """Return the payments of a quote, oldest first."""


class Bills(OfQuote[KeptBill], Protocol):
    """Invoices and credit notes: none changes, and the places of a series have no gaps. Only
    personal data may be removed from one.
    """

    def add(self, record: KeptBill) -> KeptBill:
        """Add an invoice or a credit note; return it with its number among all.

        Raises: RecordConflict, also if its place leaves a gap and it was not entered from a copy.
        """

    def places(self, series: str) -> tuple[int, ...]:
        """Return the places of a series that are here, in order."""

    def put(self, record: KeptBill) -> None:
        """Replace a document by itself without personal data. Raises: RecordMissing."""

    def named(self, series: str, place: int) -> KeptBill | None:
        """Return the one with a place in a series, or None."""

    def last(self, series: str) -> int:
        """Return the last place of a series, 0 where there is none."""

    def of_quote(self, quote: int) -> tuple[KeptBill, ...]:
        """Return the invoices and credit notes of a quote, oldest first."""

    def quotes_billed(self, customer: int) -> tuple[int, ...]:
        """Return the numbers of the quotes with documents that are made out to a customer, in
        order, whether those can be read or not.
        """

    def find(self, before: int | None, most: int) -> tuple[KeptBill, ...]:
        """Return at most `most` invoices and credit notes below a number, newest first."""

    def series(self) -> tuple[tuple[str, int], ...]:
        """Return every series with the last place in it, oldest first."""


class ClockEntries(Protocol):
    """What mechanics did on quotes; an entry never changes."""

    def add(self, record: ClockEntry) -> ClockEntry:
        """Add an entry; return it with its number within its quote. Raises: RecordConflict."""

    def of_quote(self, quote: int) -> tuple[ClockEntry, ...]:
        """Return the entries of a quote, oldest first."""

    def of_day(self, day: date) -> tuple[ClockEntry, ...]:
        """Return the entries of all quotes that count for a day, by quote, oldest first."""


class Catalogues(Protocol):
    """The catalogues that offers were made with, by revision."""

    def get(self, *key: int | str) -> KeptCatalogue | None:
        """Return the catalogue of a revision, None if it is not kept."""

    def add(self, record: KeptCatalogue) -> KeptCatalogue:
        """Add a catalogue. Raises: RecordConflict."""

    def drop_unused(self) -> None:
        """Delete the catalogues by which nothing is on offer and no work is agreed that is not
        done.
        """


class ComeBacks(Kept[KeptComeBack], Protocol):
    """Machines that came back, one a quote."""

    def of_visit(self, visit: int) -> tuple[KeptComeBack, ...]:
        """Return the come-backs from a visit, oldest first."""


class Claims(OfQuote[Claim], Protocol):
    """Claims to suppliers, by the visit that came back."""

    def find(
        self, quote: int | None, state: ClaimState | None, before: int | None, most: int
    ) -> tuple[Claim, ...]:
        """Return claims, newest first; only those of a quote or in a state if one is given."""


class Notices(Protocol):
    """Notices to collect a machine; a notice never changes."""

    def add(self, record: Notice) -> Notice:
        """Add a notice; return it with its number within its quote. Raises: RecordConflict."""

    def of_quote(self, quote: int) -> tuple[Notice, ...]:
        """Return the notices of a quote, oldest first."""


class EstimateEntries(Protocol):
    """What was done to the shop's estimates; an entry never changes."""

    def last(self) -> int:
        """Return the number of the newest entry, 0 if there is none."""

    def add(self, record: EstimateEntry) -> EstimateEntry:
        """Add an entry; return it with its number. Raises: RecordConflict."""

    def every(self) -> tuple[EstimateEntry, ...]:
        """Return all entries, oldest first."""


class Photos(OfQuote[Photo], Protocol):
    """The records of photographs; their files are stored elsewhere."""

    def drop(self, number: int) -> None:
        """Delete a photograph. Does nothing if there is none."""

    def of_ticket(self, ticket: int) -> tuple[Photo, ...]:
        """Return the photographs of a ticket, oldest first."""

    def hashes(self) -> frozenset[str]:
        """Return the SHA-256 of every file that a photograph needs."""


class Keys(Kept[KeyRecord], Protocol):
    """API keys, and secrets of the service itself."""

    def every(self) -> tuple[KeyRecord, ...]:
        """Return all keys, oldest first."""

    def usable(self) -> tuple[KeyRecord, ...]:
        """Return all keys except damaged ones, which open nothing, oldest first."""

    def secret(self, name: str) -> bytes | None:
        """Return a secret of the service itself by its name, or None."""

    def add_secret(self, name: str, value: bytes) -> None:
        """Add a secret of the service itself; it can't be replaced."""


class Hooks(Kept[Hook], Protocol):
    """Webhooks."""

    def drop(self, number: int) -> None:
        """Delete a hook and the deliveries that wait for it. Does nothing if there is none."""

    def every(self) -> tuple[Hook, ...]:
        """Return all hooks, oldest first."""


class Events(Protocol):
    """The feed of events, and the deliveries that wait."""

    def put(self, record: Event) -> None:
        """Replace an event: only its request's id may be erased. Raises: RecordConflict."""

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

    def due(self, now: datetime, most: int) -> tuple[DueDelivery, ...]:
        """Return the due deliveries, longest due first: for each active hook, the earliest event in
        the feed. Damaged ones are set aside.

        The feed decides which event is the earliest, because times are those of calls, not of
        commits.
        """

    def soonest(self) -> datetime | None:
        """Return when the next delivery is due; None if none waits."""

    def waiting(self) -> Waiting:
        """Return the deliveries that wait for active hooks."""

    def defer(self, hook: int, seq: int, next_at: datetime) -> None:
        """Postpone a delivery and count one more attempt. Does nothing if none waits."""

    def settle(self, hook: int, seq: int) -> None:
        """End a delivery: the event was posted or given up. Does nothing if none waits."""

    def deliveries(self) -> tuple[tuple[int, int], ...]:
        """Return all deliveries, due or not: the number of the hook, and the event's place."""


class Mails(OfQuote[Mail], Protocol):
    """E-mails to customers and suppliers: those that wait, and the outcome of the others.

    The message id of each must be unique.
    """

    def of_order(self, order: int) -> tuple[Mail, ...]:
        """Return the e-mails of an order, oldest first."""

    def to(self, address: str, after: int, most: int) -> tuple[Mail, ...]:
        """Return at most `most` e-mails to an address above a number with their bodies, oldest
        first. The case of ASCII letters is ignored.
        """

    def queued_of(self, quote: int) -> tuple[Mail, ...]:
        """Return the queued e-mails of a quote with their bodies, oldest first. Damaged ones are
        set aside.
        """

    def due(self, now: datetime, most: int) -> tuple[Mail, ...]:
        """Return the queued e-mails that are due, with their bodies, longest due first; damaged
        ones are set aside.
        """

    def soonest(self) -> datetime | None:
        """Return when the next queued e-mail is due; None if none waits."""

    def waiting(self) -> Waiting:
        """Return the queued e-mails."""


class Answers(Protocol):
    """Stored answers to calls with idempotency keys."""

    def get(self, key: str, idempotency_key: str, now: datetime) -> KeptAnswer | None:
        """Return an answer that has not expired, or None."""

    def add(self, answer: KeptAnswer, now: datetime) -> None:
        """Add an answer, in place of an expired one; delete some that have expired.

        Raises: RecordConflict, while another is stored for the same call.
        """

    def forget(self, most: int) -> int:
        """Delete at most `most` answers, the oldest first, because the data that they hold was
        erased; return how many were deleted.
        """


class Erasures(Kept[Erasure], Protocol):
    """Erasures under way."""

    def of_customer(self, customer: int) -> Erasure | None:
        """Return the erasure of a customer, None if none is under way."""

    def every(self) -> tuple[Erasure, ...]:
        """Return all erasures, oldest first."""

    def drop(self, number: int) -> None:
        """Delete an erasure, because nothing is left to be erased."""


class Retentions(Kept[Retention], Protocol):
    """What stays of erased customers for a while."""

    def of_customer(self, customer: int) -> tuple[Retention, ...]:
        """Return what stays of a customer, oldest first."""

    def every(self) -> tuple[Retention, ...]:
        """Return all retentions, oldest first."""

    def drop(self, number: int) -> None:
        """Delete a retention, because what it kept is erased."""


class Disposals(Kept[Disposal], Protocol):
    """Files to be deleted."""

    def next(self, after: int, most: int) -> tuple[Disposal, ...]:
        """Return at most `most` disposals above a number, oldest first."""

    def drop(self, number: int) -> None:
        """Delete a disposal, because its file is gone."""


class Trial(Protocol):
    """A number that is written only to try whether the store can be written to."""

    def write(self) -> int:
        """Write another number; return it."""

    def read(self) -> int:
        """Return the number written last, 0 if there is none."""


class Generations(Protocol):
    """The generations of a data folder, and whose folder it is."""

    def every(self) -> tuple[Generation, ...]:
        """Return all generations, oldest first: there is at least one."""

    def current(self) -> Generation:
        """Return the newest generation."""

    def begin(self, generation: Generation, left_out: int) -> Generation:
        """Begin a generation; return it with its number and its place in the feed.

        From then on, the number of every new record, and the place of every new event, leaves out
        `left_out` numbers after the last one that was given.
        """

    def put(self, record: Generation) -> None:
        """Replace the generation with the same number."""

    def belonging(self) -> Belonging:
        """Return whose folder it is."""

    def belong(self, to: Belonging) -> None:
        """Replace whose folder it is."""


class Records(Struct, frozen=True, kw_only=True):
    """All stored records, as one reader or one transaction sees them."""

    quotes: Quotes
    revisions: Revisions
    authorisations: OfQuote[Authorisation]
    additions: OfQuote[Addition]
    statements: Statements
    payments: Payments
    handovers: Kept[Handover]
    bills: Bills
    clock_entries: ClockEntries
    come_backs: ComeBacks
    claims: Claims
    notices: Notices
    estimates: EstimateEntries
    catalogues: Catalogues
    customers: Customers
    machines: Machines
    tickets: Tickets
    orders: Orders
    allocations: Allocations
    order_entries: OrderEntries
    photos: Photos
    keys: Keys
    events: Events
    hooks: Hooks
    mails: Mails
    answers: Answers
    generations: Generations
    trial: Trial
    erasures: Erasures
    retentions: Retentions
    disposals: Disposals
    shelf: Shelf


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
