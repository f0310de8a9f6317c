"""Records: the stored data of quotes, of their customers and machines, and of their orders.

Times are aware and in UTC; days are those of the shop's time zone. Numbers count from 1 and are
assigned by the store: a record that is not stored yet has 0. A `version` counts the changes of a
record.
"""

from __future__ import annotations

from datetime import date, datetime
from enum import StrEnum
from typing import Annotated, Final

from msgspec import Meta, Struct

from kitwright.keeping.key import Scope
from kitwright.money import Money
from kitwright.quote import Registered
from kitwright.stages.work import Group

EventFact = Annotated[int, Meta(ge=-999_999_999_999_999, le=999_999_999_999_999)]
"""A number that an event tells. Numbers of records are large after a restore."""


class QuoteState(StrEnum):
    """The state of a quote: first of its offer, then of the work."""

    draft = "draft"
    issued = "issued"
    accepted = "accepted"
    declined = "declined"
    expired = "expired"
    withdrawn = "withdrawn"
    ordered = "ordered"
    in_work = "in_work"
    done = "done"


ENDED: Final = frozenset({QuoteState.declined, QuoteState.expired, QuoteState.withdrawn})
"""States of quotes of which nothing is offered or agreed any longer."""


class RevisionState(StrEnum):
    """The state of one revision. Only a draft may still be changed."""

    draft = "draft"
    issued = "issued"
    accepted = "accepted"
    declined = "declined"
    expired = "expired"
    withdrawn = "withdrawn"
    superseded = "superseded"


class Means(StrEnum):
    """The means by which a customer authorised."""

    in_person = "in_person"
    telephone = "telephone"
    link = "link"
    email = "email"


class Hand(StrEnum):
    """Who made a change: the holder of an API key, the customer through a link, or the service
    itself.
    """

    key = "key"
    link = "link"
    service = "service"


class Stamp(Struct, frozen=True, kw_only=True):
    """Who acts, and when: `by` is a key's id, or the number of the quote that a link is for."""

    at: datetime
    today: date
    hand: Hand
    by: str
    request_id: str = ""


class KeptQuote(Struct, frozen=True, kw_only=True):
    """A quote, without the bodies of its revisions.

    `latest` is its newest revision, `offered` the one that the customer may accept, `agreed` the
    one whose authorisation is in force. `shown` is the one that counts: the agreed one, else the
    one offered now or last, else the draft.

    Customer, machine, engine, `valid_until` and the figures are those of the revision shown. If it
    is the agreed one, the figures include its additions. Quotes that were asked for together have
    the same `fleet`: the number of the first of them. `ticket` is the one that the machine was
    taken in with, as the revision shown names it. `withdrawn_at` says that the customer withdrew
    from work that had begun, which can only be stopped since.
    """

    number: int
    version: int
    state: QuoteState
    latest: int
    offered: int | None
    agreed: int | None
    shown: int
    customer: int | None
    machine: int | None
    family: str
    serial: int | None
    net: Money
    gross: Money | None
    valid_until: date
    made_at: datetime
    made_on: date
    changed_at: datetime
    fleet: int | None = None
    ticket: int | None = None
    withdrawn_at: datetime | None = None


class Revision(Struct, frozen=True, kw_only=True):
    """One revision: its customer and machine, the request, and every figure of the answer.

    `request` and `answer` are JSON. So is `shown`, the part of the answer that the customer sees,
    which is empty until it is issued. `reckoning` is JSON too: how lines are totalled
    (`kitwright.keeping.sums.Reckoning`), empty if the tax is not known.

    `sha256`, in hex, is of `shown` as it was when issued. `is_erased` says that personal data has
    been removed since. `reason` is the customer's, for declining.
    """

    quote: int = 0
    number: int = 0
    state: RevisionState = RevisionState.draft
    customer: int | None
    machine: int | None
    made_at: datetime
    issued_at: datetime | None = None
    valid_until: date
    catalogue_revision: str
    tax_state: str
    is_provisional: bool
    net: Money
    gross: Money | None
    sha256: str | None = None
    is_erased: bool = False
    reason: str | None = None
    request: bytes
    answer: bytes
    reckoning: bytes = b""
    shown: bytes = b""


class FromAfar(Struct, frozen=True, kw_only=True):
    """A yes by a link as a contract made from afar: the customer may withdraw for `days`, until the
    end of the day `until`. `starts_early` says that the work may begin before that, as the customer
    asked. `withdrawn_by` withdrew by some `means`; they are None if nobody did.
    """

    days: Annotated[int, Meta(ge=0, le=999)]
    until: date
    starts_early: bool
    withdrawn_at: datetime | None = None
    withdrawn_by: str | None = None
    means: Means | None = None


class Authorisation(Struct, frozen=True, kw_only=True):
    """A customer's acceptance of exactly one revision.

    `amount` is the revision's total. `limit` is the total that the bill may reach without asking
    again. Both include tax if `includes_tax`. `text` is what was shown or read to the customer.
    `from_afar` is None if the customer has no right to withdraw.
    """

    quote: int
    revision: int
    at: datetime
    who: str
    means: Means
    contact: str | None
    amount: Money
    limit: Money
    includes_tax: bool
    text: str
    sha256: str
    from_afar: FromAfar | None = None


class Addition(Struct, frozen=True, kw_only=True):
    """A line added under an authorisation, on top of its revision's total.

    `kind` is that of the line, `tax_kind` the charge kind that it is taxed as. `net` is what it
    added without tax, `amount` what it added in the authorisation's own terms of tax.
    """

    quote: int
    number: int
    revision: int
    at: datetime
    day: date
    """The shop's day."""
    description: str
    kind: str
    tax_kind: str
    price: Money
    """What is printed, with or without tax as the shop's prices are."""
    net: Money
    amount: Money


class Billing(Registered, frozen=True, kw_only=True):
    """What an invoice says of its buyer, or its seller, besides the name.

    `country` is a code of ISO 3166-1. `vat_id` is that of a tax like VAT, `tax_id` another number
    for tax, `registration` that of a register of companies. `endpoint` is an electronic address
    under `endpoint_scheme`, a code of the list EAS. `order_reference` is what the buyer wants to
    read on every invoice.
    """

    order_reference: str | None = None


class Customer(Struct, frozen=True, kw_only=True):
    """A customer. Of an erased customer, only the id, the version and the times are left."""

    number: int
    version: int
    name: str
    email: str | None
    telephone: str | None
    address: str | None
    language: str | None
    certificate_number: str | None
    certificate_until: date | None
    note: str | None
    made_at: datetime
    erased_at: datetime | None
    billing: Billing | None = None


class Machine(Struct, frozen=True, kw_only=True):
    """A machine as described by its plate; `hours` is the last meter reading. Of an erased machine,
    only the data on the kind of engine is left.
    """

    number: int
    version: int
    customer: int | None
    name: str
    family: str
    serial: int | None
    build_code: str | None
    chassis: str | None
    plate: dict[str, str]
    hours: str | None
    note: str | None
    made_at: datetime
    erased_at: datetime | None


class Ticket(Struct, frozen=True, kw_only=True):
    """A machine as it was taken in, before any test: for whom, with what, and on which terms.

    `brought_by` is who brought it, None if the customer did. `fee` is charged for the diagnosis,
    including tax if the shop's prices do; `most` is the highest that finding the fault may cost,
    None if that is the fee. `terms` are the shop's, as sentences in the ticket's `language`.
    `sha256`, in hex, is of the text that is agreed to. Once it is agreed to, it never changes. Of
    an erased ticket, the fee, the times and the number of the customer are left.
    """

    number: int
    version: int
    customer: int
    machine: int
    brought_by: str | None
    accessories: tuple[str, ...]
    complaint: str
    fee: Money
    most: Money | None
    old_parts: bool
    language: str
    terms: tuple[str, ...]
    sha256: str
    made_at: datetime
    day: date
    agreed_at: datetime | None = None
    agreed_by: str | None = None
    means: Means | None = None
    erased_at: datetime | None = None


class OrderState(StrEnum):
    """The state of a parts order: it is sent and confirmed, and its goods arrive, or it is
    cancelled.
    """

    draft = "draft"
    sent = "sent"
    confirmed = "confirmed"
    part_received = "part_received"
    received = "received"
    cancelled = "cancelled"


class KeptOrder(Struct, frozen=True, kw_only=True):
    """An order to one supplier for accepted revisions, as it was placed: each of its lines says
    what it is for. `quote` and `revision` are None if it is for several quotes; its allocations say
    what each has of it.
    """

    number: int
    version: int
    state: OrderState
    quote: int | None
    revision: int | None
    supplier: str
    net: Money
    made_at: datetime
    body: bytes
    """The order as JSON."""


class Allocation(Struct, frozen=True, kw_only=True):
    """What one revision has of an order: its goods, and its share of fees and freight, without tax.
    The allocations of an order add up to it.
    """

    order: int
    quote: int
    revision: int
    goods: Money
    fees: Money
    freight: Money
    lines: bytes
    """Its packs of each line, as JSON (`kitwright.quote.AllottedLine`)."""


class KeptStatement(Struct, frozen=True, kw_only=True):
    """The account of a finished quote: what was agreed, and what is billed. It never changes.

    `sha256`, in hex, is of `body`, the JSON of a `kitwright.quote.Statement`, as it was made;
    `is_erased` says that personal data has been removed since. `who` closed it.
    """

    quote: int
    at: datetime
    day: date
    net: Money
    gross: Money
    who: str | None
    sha256: str
    is_erased: bool = False
    body: bytes


class Payment(Struct, frozen=True, kw_only=True):
    """A payment by a customer, or one paid back if the amount is negative. `is_advance` says that
    it was made before there was a statement. `means` is how it was paid, `reference` what
    identifies it. `rounding` is what the smallest coin took off the balance, or added to it:
    amount - rounding was owed.
    """

    quote: int
    number: int
    at: datetime
    day: date
    amount: Money
    rounding: Money
    means: str
    reference: str | None
    who: str
    is_advance: bool = False


class Handover(Struct, frozen=True, kw_only=True):
    """A machine was collected by `collector`, and handed over by `who`, with the balance then.

    `old_parts` says that the old parts went along, `is_unsafe` that the machine is tagged as not
    safe to use.
    """

    quote: int
    at: datetime
    day: date
    collector: str
    old_parts: bool
    is_unsafe: bool
    balance: Money
    who: str


class BillKind(StrEnum):
    """An invoice, the invoice of an advance, or a credit note that corrects one of them."""

    invoice = "invoice"
    advance = "advance"
    credit_note = "credit_note"


class KeptBill(Struct, frozen=True, kw_only=True):
    """An invoice or a credit note, which never changes. Its number is its series and its place in
    it, from 1 without gaps. A credit note names the invoice that it corrects.

    `sha256`, in hex, is of `body`, the JSON of a `kitwright.quote.Bill`, as it was made; from
    `erased_at` on, `body` has no personal data. At `entered_at` it was entered from its copy after
    a restore; None if it was made here. `buyer` is the number of the customer to whom it is made
    out, None if that is only known to be the quote's.
    """

    number: int
    """Its place among all."""
    series: str
    place: int
    kind: BillKind
    quote: int
    credited_series: str | None
    credited_place: int | None
    at: datetime
    day: date
    net: Money
    gross: Money
    sha256: str
    body: bytes
    erased_at: datetime | None = None
    entered_at: datetime | None = None
    buyer: int | None = None

    @property
    def name(self) -> str:
        """The number as it is printed."""
        return bill_name(self.series, self.place)

    @property
    def credited(self) -> str | None:
        """The number of the invoice that a credit note corrects, None of an invoice."""
        if self.credited_series is None or self.credited_place is None:
            return None
        return bill_name(self.credited_series, self.credited_place)

    @property
    def billed(self) -> Money:
        """What it bills, including tax: negative if it gives back."""
        return -self.gross if self.kind is BillKind.credit_note else self.gross


def bill_name(series: str, place: int) -> str:
    """Return the number of an invoice or a credit note as it is printed.

    >>> bill_name("I1", 27)
    'I1-00027'
    """
    return f"{series}-{place:05}"


class OrderEntry(Struct, frozen=True, kw_only=True):
    """What happened to an order; it never changes. `who` is the person as named at the counter."""

    order: int
    number: int
    kind: str
    at: datetime
    day: date
    who: str
    hand: Hand
    by: str
    body: bytes
    """The facts as JSON (`kitwright.keeping.order_entry`)."""


class Phase(StrEnum):
    """A group of steps of the work plan: what comes off, the work itself, what goes back on, checks
    and tests, and the handing over.
    """

    teardown = "teardown"
    work = "work"
    refit = "refit"
    test = "test"
    hand_over = "hand_over"


class ClockKind(StrEnum):
    """What an entry of a quote's clock says."""

    started = "started"
    stopped = "stopped"
    minutes = "minutes"
    corrected = "corrected"
    ticked = "ticked"
    unticked = "unticked"


class ClockEntry(Struct, frozen=True, kw_only=True):
    """What a mechanic did on a quote, or how that is corrected; it never changes.

    `day` is the shop's day that it counts for, `who` the mechanic, or whoever corrects. `moment` is
    when a clock was started or stopped, in whole minutes. `about` is the number of the entry that
    it stops or corrects. `minutes` are those of a sum, or the right ones of what is corrected.
    `reason` is why it is corrected, or what was seen at a step that is ticked.
    """

    quote: int
    number: int
    kind: ClockKind
    at: datetime
    day: date
    who: str
    hand: Hand
    by: str
    phase: Phase | None = None
    step: str | None = None
    moment: datetime | None = None
    about: int | None = None
    minutes: int | None = None
    reason: str | None = None


class OwnMinutes(Struct, frozen=True, kw_only=True):
    """The factor of the catalogue's minutes for a group of steps of a labour class, on engines of a
    family.
    """

    family: str
    group: Group
    labour_class: str
    factor: str


class OwnOdds(Struct, frozen=True, kw_only=True):
    """The factor of the catalogue's odds for a contingency."""

    contingency: str
    factor: str


class OwnEstimates(Struct, frozen=True, kw_only=True):
    """The figures of a revision of the shop's estimates: all that differ from the catalogue's."""

    minutes: tuple[OwnMinutes, ...] = ()
    odds: tuple[OwnOdds, ...] = ()


class EstimateKind(StrEnum):
    """What was done to the shop's estimates: a revision was applied, or taken back."""

    applied = "applied"
    taken_back = "taken_back"


class KeptCatalogue(Struct, frozen=True, kw_only=True):
    """A catalogue with its prices that offers were made with, compressed; it never changes."""

    revision: str
    at: datetime
    body: bytes


class EstimateEntry(Struct, frozen=True, kw_only=True):
    """What was done to the shop's estimates; it never changes.

    The number of an entry that applies figures is that of the revision. `since` is the first day of
    quotes that use it. `about` is the revision that is taken back.
    """

    number: int
    kind: EstimateKind
    at: datetime
    hand: Hand
    by: str
    since: date | None = None
    figures: OwnEstimates | None = None
    about: int | None = None


class Photo(Struct, frozen=True, kw_only=True):
    """A photograph of a finding or of a step of a quote, or of a machine as it was taken in: then
    `ticket` is its ticket, and `quote` None. The file is found by its SHA-256.
    """

    number: int
    quote: int | None
    sha256: str
    media_type: str
    size: int
    subject: str
    code: str
    cylinder: int | None
    made_at: datetime
    ticket: int | None = None


class KeyRecord(Struct, frozen=True, kw_only=True):
    """An API key, without its text. `last_used_on` is the last day on which it was used."""

    id: str
    name: str
    scopes: frozenset[Scope]
    hash: bytes
    made_at: datetime
    last_used_on: date | None
    revoked_at: datetime | None


class Event(Struct, frozen=True, kw_only=True):
    """A change: its place in the feed, what happened to which record, and who did it: a key (by its
    id), the customer by a link, or the service.

    Places are in the order of commits and have no gaps, except where a restore left places out.
    `facts` hold no personal data.
    """

    seq: int
    at: datetime
    kind: str
    subject: str
    """The kind and number of the record, as in `quote:12`."""
    facts: dict[str, str | EventFact | None]
    hand: Hand
    by: str
    request_id: str


class Hook(Struct, frozen=True, kw_only=True):
    """A webhook: only events of `kinds` are posted to it, or all if `kinds` is empty.

    `failure` says why the last attempt failed, if it did. The service sets `is_active` to false if
    the target answers 410.
    """

    number: int
    version: int
    url: str
    secret: str
    kinds: tuple[str, ...]
    is_active: bool
    failure: str | None
    made_at: datetime


class DueDelivery(Struct, frozen=True, kw_only=True):
    """An event that waits to be posted to a hook; `attempt` counts from 1."""

    hook: Hook
    event: Event
    attempt: int


class Waiting(Struct, frozen=True):
    """What waits to be sent: its number, and since when the oldest has been waiting."""

    number: int
    since: datetime | None


class MailState(StrEnum):
    """The state of an e-mail: queued, accepted by a mail server, or failed."""

    queued = "queued"
    sent = "sent"
    failed = "failed"


class Mail(Struct, frozen=True, kw_only=True):
    """One revision on its way to a customer by e-mail, or one order on its way to a supplier: then
    `order` is its number, and `quote` and `revision` are None.

    `attempts` counts the attempts begun; `next_at` is when the next is due, if there is one.
    `failure` says why the last attempt failed. Of an erased customer's e-mail, neither address nor
    text is left.
    """

    number: int
    quote: int | None
    revision: int | None
    order: int | None = None
    to: str
    message_id: str
    body: bytes
    """The complete message (RFC 5322), the same at every attempt."""
    state: MailState
    attempts: int
    next_at: datetime | None
    failure: str | None
    made_at: datetime
    sent_at: datetime | None


class ErasureStage(StrEnum):
    """What is being erased of a customer, in this order. At `damaged`, all is that can be read."""

    machines = "machines"
    tickets = "tickets"
    quotes = "quotes"
    mails = "mails"
    answers = "answers"
    search = "search"
    damaged = "damaged"


class Erasure(Struct, frozen=True, kw_only=True):
    """A customer who is being erased, step by step: it exists until nothing is left to be erased.

    `email` is the address that the customer had. `at` to `request_id` are the stamp of the call.
    `place` is how far the stage has come, `counts` how many records have been erased, by kind.
    """

    number: int
    customer: int
    email: str | None
    at: datetime
    today: date
    hand: Hand
    by: str
    request_id: str
    stage: ErasureStage
    place: int
    counts: dict[str, int]


class RetentionWhy(StrEnum):
    """Why something of an erased customer stays: invoices that the law wants kept, a balance that
    is not settled, a machine that is still here, or a warranty that runs.
    """

    invoices = "invoices"
    balance = "balance"
    machine = "machine"
    warranty = "warranty"


class Retention(Struct, frozen=True, kw_only=True):
    """What stays of an erased customer's quote, and is erased by itself: on the day after `until`,
    or if that is None, as soon as what it is for is over.
    """

    number: int
    customer: int
    quote: int
    why: RetentionWhy
    until: date | None
    at: datetime


class DisposalKind(StrEnum):
    """What a file is: a photograph, named by its SHA-256, or a letter, by its message id."""

    photo = "photo"
    letter = "letter"


class Disposal(Struct, frozen=True, kw_only=True):
    """A file that is to be deleted, in the transaction that removed the need for it. It exists
    until the file is gone.
    """

    number: int
    kind: DisposalKind
    name: str


class KeptAnswer(Struct, frozen=True, kw_only=True):
    """The answer to a call with an idempotency key, given again until it expires. `epoch` is that
    of the generation in which the call was made, None in those of versions without generations.
    """

    key: str
    idempotency_key: str
    fingerprint: bytes
    status: int
    headers: dict[str, str]
    body: bytes
    expires_at: datetime
    epoch: str | None = None
