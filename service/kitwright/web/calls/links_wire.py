"""Links on the wire: what a customer is offered, and says to it."""

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
    """A link to ask for: how many days it holds, null: until the offer's last valid day."""

    days: Annotated[int, Meta(ge=1, le=90)] | None = None


class LinkOut(Out, frozen=True, kw_only=True):
    """A link to the revision on offer. Whoever has it can say yes, so it goes to the customer."""

    quote: QuoteId
    revision: RevisionNumber
    token: str
    path: str
    expires_at: datetime


class AgreedOut(Out, frozen=True, kw_only=True):
    """What was agreed by this revision, and up to where, with tax where `includes_tax`."""

    at: datetime
    amount: Amount
    limit: Amount
    includes_tax: bool


class OfferOut(Out, frozen=True, kw_only=True):
    """A revision as its customer sees it.

    `state` is what became of it; while it is `issued` it can be accepted or declined. `text` is
    what a yes says yes to. Where a newer revision is on offer to the same customer, `newer` leads
    to it. `sha256` is of `quote`, byte for byte, which never changes. `with_additions` is the same
    with what was added since it was accepted, null where nothing was.
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
    """A customer's yes: a name, and up to where the bill may go, null: what the shop's rule
    allows over the amount.
    """

    who: Text
    limit: DecimalIn | None = None


class NoIn(Wire, frozen=True, kw_only=True):
    """A customer's no."""

    reason: Text | None = None


class DecidedOut(Out, frozen=True, kw_only=True):
    """What a customer's answer came to."""

    id: QuoteId
    revision: RevisionNumber
    state: Literal["accepted", "declined"]
