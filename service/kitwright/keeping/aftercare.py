"""Aftercare: what is recorded of a machine after its visit: that it came back, what was claimed for
a part that failed, and that its customer was told to collect it.
"""

from __future__ import annotations

from datetime import date, datetime
from enum import StrEnum

from msgspec import Struct

from kitwright.keeping.record import Hand
from kitwright.money import Money


class KeptComeBack(Struct, frozen=True, kw_only=True):
    """That the machine of a quote came back from an earlier visit, and the cause, as the quote's
    newest revision has it.

    `visit` is the earlier quote, `day` the day on which the machine came back. `cause` is None
    until it is settled, by `who` and for a `reason`; `ground` is why the shop bears it or not.
    `jobs` are those that the cause concerns, and `part` the part that failed.
    """

    quote: int
    visit: int
    day: date
    cause: str | None
    ground: str
    jobs: tuple[str, ...]
    part: str | None
    reason: str | None
    who: str | None
    at: datetime


class ClaimState(StrEnum):
    """The state of a claim: noted, sent to the supplier, credited, refused, or withdrawn."""

    open = "open"
    sent = "sent"
    credited = "credited"
    refused = "refused"
    withdrawn = "withdrawn"


class Claim(Struct, frozen=True, kw_only=True):
    """A claim against the supplier of a part that failed.

    `quote` is the visit that came back, `visit` the one that fitted the part. Supplier, order,
    line, SKU, cost and the day of its receipt are None if the store does not know where it came
    from. `cost` is what the pieces cost, without tax. `due_on` is the last day for the claim by the
    supplier's terms, None if these name none. Hours are readings of the machine's meter. `credit`
    is what the supplier gave, without tax.
    """

    number: int
    version: int
    quote: int
    visit: int
    part: str
    pieces: int
    supplier: str | None
    order: int | None
    line: int | None
    sku: str | None
    received_on: date | None
    cost: Money | None
    fitted_on: date
    failed_on: date
    hours_fitted: str | None
    hours_failed: str | None
    due_on: date | None
    state: ClaimState
    what: str
    sent_on: date | None
    reference: str | None
    answered_on: date | None
    credit: Money | None
    reason: str | None
    who: str
    made_at: datetime


class NoticeWay(StrEnum):
    """How a customer was told that a machine waits to be collected."""

    mail = "mail"
    letter = "letter"
    told = "told"


class Notice(Struct, frozen=True, kw_only=True):
    """That a customer was told to collect a machine; it never changes. `day` is the shop's day on
    which it was told, `who` the person at the counter.
    """

    quote: int
    number: int
    at: datetime
    day: date
    way: NoticeWay
    who: str
    hand: Hand
    by: str
