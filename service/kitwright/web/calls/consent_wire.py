"""Consent on the wire: how a revision is issued and decided on, and what is added within."""

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
        description="Words for people, on any number of lines.",
        extra={"wanted": "1 to 10,000 characters"},
    ),
]


Moment = Annotated[datetime, Meta(tz=True, description="With its offset from UTC.")]


Sha256 = Annotated[str, Meta(pattern="^[0-9a-f]{64}$", description="SHA-256 in hex.")]


class IssueIn(Wire, frozen=True, kw_only=True):
    """How a draft is issued whose prices would be others today: not at all, or, with the reason
    why they are kept, at its own. The reason stands in the quote's history and in the event for
    good, so it names nobody.
    """

    keep_prices: Text | None = None


class AcceptIn(Wire, frozen=True, kw_only=True):
    """A customer's yes to one revision, as the shop takes it down.

    `amount` is what the customer said yes to, checked against the revision; `limit` up to where
    the bill may go, null: the amount and what the shop's overrun preset allows. Both with tax
    where `includes_tax`. `contact` is the number or address by which the yes came; `text` what
    was shown or read out, null: the revision as it stands.
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
    """A customer's no to one revision."""

    revision: RevisionNumber
    reason: Text | None = None


class AuthorisationOut(Out, frozen=True, kw_only=True):
    """An authorisation: of exactly which revision, by whom, when, by what means, up to where."""

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
    """A line that was added within an authorisation: what it added without tax (`net`), and in the
    authorisation's own terms (`amount`).
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
    """How far the authorisation in force goes: spent + committed + left = authorised, with tax
    where `includes_tax`.
    """

    revision: RevisionNumber
    includes_tax: bool
    authorised: Amount
    committed: Amount
    spent: Amount
    left: Amount


class AuthorisationsOut(Out, frozen=True, kw_only=True):
    """All authorisations of a quote, the limit of the one in force, and what was added within."""

    limit: LimitOut | None
    authorisations: tuple[AuthorisationOut, ...]
    additions: tuple[AdditionOut, ...]


class AdditionIn(Wire, frozen=True, kw_only=True):
    """A line to be added to what was agreed: its `net` price without tax, or instead the `amount`
    that it may come to in the authorisation's own terms of tax. Where rounded taxes make no price
    come to exactly that, the largest that comes to no more is taken.

    It is taxed by the rules of the agreed revision. On `trial`, the answer tells what it would be,
    and nothing is recorded.
    """

    description: Text
    kind: FreeKind
    tax_kind: Annotated[
        FreeKind | None, Meta(description="As what it is taxed; null: as its kind.")
    ] = None
    net: DecimalIn | None = None
    amount: DecimalIn | None = None
    trial: bool = False


class ConsentOut(Out, frozen=True, kw_only=True):
    """The consent that is needed first: up to which amount, by which means, and what has to be
    taken down with it.
    """

    up_to: Amount
    includes_tax: bool
    means: tuple[Means, ...]
    record: tuple[str, ...]


class RulingOut(Out, frozen=True, kw_only=True):
    """Go, or stop: then by how much it is too much, and what consent is needed. `text` says the
    same in words.
    """

    decision: Decision
    new: Amount
    over_by: Amount
    limit: LimitOut
    consent: ConsentOut | None
    addition: AdditionOut | None
    text: str


def authorisation_out(given: Authorisation) -> AuthorisationOut:
    """Return an authorisation."""
    return shaped(AuthorisationOut, given)


def addition_out(addition: Addition) -> AdditionOut:
    """Return an addition."""
    return shaped(AdditionOut, addition)


def limit_out(limit: Limit) -> LimitOut:
    """Return how far an authorisation goes."""
    return shaped(LimitOut, limit)
