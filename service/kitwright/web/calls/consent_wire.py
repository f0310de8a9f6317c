"""Consent on the wire: structs for issuing, deciding and adding to a revision."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from msgspec import Meta

from kitwright.keeping.consent import Decision, Limit
from kitwright.keeping.record import (
    Addition,
    Authorisation,
    Means,
)
from kitwright.quote import (
    Amount,
    Count,
)
from kitwright.web.calls.ids import (
    RevisionNumber,
)
from kitwright.web.calls.out import Out
from kitwright.web.calls.shaped import shaped
from kitwright.web.edge.shapes import DecimalIn, FreeKind, Text, Wire

Words = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=10_000,
        pattern=r"^[^\x00-\x08\x0b\x0c\x0e-\x1f\x7f]*(?!\n)$",
        description="A text for people, on any number of lines.",
        extra={"wanted": "1 to 10,000 characters"},
    ),
]


Moment = Annotated[datetime, Meta(tz=True, description="With its offset from UTC.")]


Sha256 = Annotated[str, Meta(pattern="^[0-9a-f]{64}$", description="SHA-256 in hex.")]


class IssueIn(Wire, frozen=True, kw_only=True):
    """Whether a draft is issued although its prices are different today. Without `keep_prices` it
    is refused; with a reason, it is issued at its own prices. The reason stays in the quote's
    history and in the event permanently, so it should not name people.
    """

    keep_prices: Text | None = None


class AcceptIn(Wire, frozen=True, kw_only=True):
    """A customer's acceptance of one revision, as the shop records it.

    `amount` is the total that the customer accepted, and is checked against the revision. `limit`
    is the highest bill allowed; null: the amount plus the overrun that the shop's preset allows.
    Both include tax if `includes_tax`. `contact` is the phone number or address by which the
    customer accepted. `text` is the text shown or read out; null: the text that this service makes
    for the revision.
    """

    revision: RevisionNumber
    who: Text
    means: Literal["in_person", "telephone", "email"]
    contact: Text | None = None
    at: Moment | None = None
    amount: DecimalIn | None = None
    limit: DecimalIn | None = None
    includes_tax: bool = True
    text: Words | None = None


class DeclineIn(Wire, frozen=True, kw_only=True):
    """A customer's refusal of one revision."""

    revision: RevisionNumber
    reason: Text | None = None


class AuthorisationOut(Out, frozen=True, kw_only=True):
    """An authorisation: which revision, who gave it, when, by what means, and its limit."""

    revision: RevisionNumber
    at: datetime
    who: str
    means: Means
    contact: str | None
    amount: Amount
    limit: Amount
    includes_tax: bool
    text: str
    sha256: Sha256


class AdditionOut(Out, frozen=True, kw_only=True):
    """A line added within an authorisation: its price without tax (`net`), and with or without tax
    as in the authorisation (`amount`).
    """

    number: Count
    revision: RevisionNumber
    at: datetime
    description: str
    kind: FreeKind
    tax_kind: FreeKind
    net: Amount
    amount: Amount


class LimitOut(Out, frozen=True, kw_only=True):
    """The limit of the authorisation in force: spent + committed + left = authorised, including tax
    if `includes_tax`.
    """

    revision: RevisionNumber
    includes_tax: bool
    authorised: Amount
    committed: Amount
    spent: Amount
    left: Amount


class AuthorisationsOut(Out, frozen=True, kw_only=True):
    """All authorisations of a quote, the limit of the one in force, and the lines added."""

    limit: LimitOut | None
    authorisations: tuple[AuthorisationOut, ...]
    additions: tuple[AdditionOut, ...]


class AdditionIn(Wire, frozen=True, kw_only=True):
    """A line to be added to the agreed revision: its `net` price without tax, or instead its
    `amount`, with or without tax as in the authorisation. If rounded taxes allow no price with
    exactly that amount, the largest price that does not exceed it is used.

    It is taxed by the rules of the agreed revision. With `trial`, the answer is computed, but
    nothing is recorded.
    """

    description: Text
    kind: FreeKind
    tax_kind: Annotated[
        FreeKind | None, Meta(description="The class by which it is taxed; null: by its kind.")
    ] = None
    net: DecimalIn | None = None
    amount: DecimalIn | None = None
    trial: bool = False


class ConsentOut(Out, frozen=True, kw_only=True):
    """The consent that is needed first: up to which amount, by which means, and which details must
    be recorded with it.
    """

    up_to: Amount
    includes_tax: bool
    means: tuple[Means, ...]
    record: tuple[str, ...]


class RulingOut(Out, frozen=True, kw_only=True):
    """`go`, or `stop` with the excess and the consent that is needed. `text` says the same as a
    sentence.
    """

    decision: Decision
    new: Amount
    over_by: Amount
    limit: LimitOut
    consent: ConsentOut | None
    addition: AdditionOut | None
    text: str


def authorisation_out(given: Authorisation) -> AuthorisationOut:
    """Return an authorisation's wire struct."""
    return shaped(AuthorisationOut, given)


def addition_out(addition: Addition) -> AdditionOut:
    """Return an addition's wire struct."""
    return shaped(AdditionOut, addition)


def limit_out(limit: Limit) -> LimitOut:
    """Return the wire struct of an authorisation's limit."""
    return shaped(LimitOut, limit)
