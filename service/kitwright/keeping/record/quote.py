"""Records of quotes, their revisions and authorisations, and what was added to them."""

from __future__ import annotations

from datetime import date, datetime
from enum import StrEnum
from typing import Annotated, Final

from msgspec import Meta, Struct

from kitwright.keeping.record.hand import Means
from kitwright.money import Money


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
SETTLED: Final = ENDED | {QuoteState.done}
"""States of quotes whose price is not an offer any longer: they ended, or are billed."""


class RevisionState(StrEnum):
    """The state of one revision. Only a draft may still be changed."""

    draft = "draft"
    issued = "issued"
    accepted = "accepted"
    declined = "declined"
    expired = "expired"
    withdrawn = "withdrawn"
    superseded = "superseded"


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
    been removed since. `reason` is the shop's for keeping the prices of an earlier day, if the
    revision was issued with them; if it was declined, the customer's.
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


class EarlyWish(Struct, frozen=True, kw_only=True):
    """A customer's wish, after the yes, that the work begin at once: when, by whom and by which
    means it was said, and its words.
    """

    at: datetime
    who: str
    means: Means
    text: str


class FromAfar(Struct, frozen=True, kw_only=True):
    """A yes by a link as a contract made from afar: the customer may withdraw for `days`, until the
    end of the day `until`. `starts_early` says that the work may begin before that, as the customer
    asked. `withdrawn_by` withdrew by some `means`; they are None if nobody did. `notice_sha256` is
    of the notice and the form that were shown with the yes, None of a yes from before it was kept.
    `wish` is None if the early start was asked for with the yes, or not at all.
    """

    days: Annotated[int, Meta(ge=0, le=999)]
    until: date
    starts_early: bool
    notice_sha256: Annotated[str, Meta(pattern="^[0-9a-f]{64}$")] | None = None
    withdrawn_at: datetime | None = None
    withdrawn_by: str | None = None
    means: Means | None = None
    wish: EarlyWish | None = None


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
