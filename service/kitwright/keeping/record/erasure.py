"""Records of erasures, what is retained after them, and what is still to be deleted."""

from __future__ import annotations

from datetime import date, datetime
from enum import StrEnum

from msgspec import Struct

from kitwright.keeping.record.hand import Hand


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
