"""Links on the wire: structs of a customer's offer and of the customer's decision."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from msgspec import Meta

from kitwright.keeping.record import RevisionState
from kitwright.quote import Amount, ShownQuote
from kitwright.web.calls.consent_wire import Sha256
from kitwright.web.calls.ids import QuoteId, RevisionNumber
from kitwright.web.calls.out import Out
from kitwright.web.edge.shapes import DecimalIn, Text, Wire


class LinkIn(Wire, frozen=True, kw_only=True):
    """A new link: the days for which it is valid; null: until the offer's last valid day."""

    days: Annotated[int, Meta(ge=1, le=90)] | None = None


class LinkOut(Out, frozen=True, kw_only=True):
    """A link to the revision on offer. Anyone who has it can accept the offer, so send it only to
    the customer.
    """

    quote: QuoteId
    revision: RevisionNumber
    token: str
    path: str
    expires_at: datetime


class AgreedOut(Out, frozen=True, kw_only=True):
    """The amount accepted with this revision, and its limit; both include tax if `includes_tax`."""

    at: datetime
    amount: Amount
    limit: Amount
    includes_tax: bool


class OfferOut(Out, frozen=True, kw_only=True):
    """A revision as its customer sees it.

    `state` is its current state; while it is `issued`, it can be accepted or declined. `text` is
    the exact text that the customer accepts. If a newer revision is on offer to the same customer,
    `newer` is its path. `sha256` is of the bytes of `quote`, which never change. `with_additions`
    is the quote including the lines added since it was accepted, null if there are none.
    """

    id: QuoteId
    revision: RevisionNumber
    state: RevisionState
    newer: str | None
    expires_at: datetime
    text: str
    agreed: AgreedOut | None
    sha256: Sha256
    quote: ShownQuote
    with_additions: ShownQuote | None


class YesIn(Wire, frozen=True, kw_only=True):
    """A customer's acceptance: a name, and the highest bill allowed; null: the amount plus the
    overrun that the shop's rule allows.
    """

    who: Text
    limit: DecimalIn | None = None


class NoIn(Wire, frozen=True, kw_only=True):
    """A customer's refusal."""

    reason: Text | None = None


class DecidedOut(Out, frozen=True, kw_only=True):
    """The result of a customer's decision."""

    id: QuoteId
    revision: RevisionNumber
    state: Literal["accepted", "declined"]
