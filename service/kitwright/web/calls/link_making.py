"""Link making: the shop's calls that make links to what is on offer, and revoke them."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta, timezone
from typing import Annotated, Final

from msgspec import Meta

from kitwright.keeping.link import NONCE_BYTES, Link, digest_of, make_token
from kitwright.keeping.link_rounds import revoke_links, round_of
from kitwright.keeping.mail import sendable
from kitwright.keeping.record import KeptQuote, Revision
from kitwright.keeping.store import Records
from kitwright.web.calls.call import Call
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.ids import QUOTE, QuoteId, RevisionNumber, written
from kitwright.web.calls.shown import Out
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Wire

_WESTERNMOST: Final = timezone(timedelta(hours=-12))
"""Where a day ends last."""


class LinkIn(Wire, frozen=True, kw_only=True):
    """A new link: the days for which it is valid. It never outlives the offer's last valid day by
    more days than the shop allows; null: by as many, so that what was agreed can be read by it.
    """

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


class RevokedOut(Out, frozen=True, kw_only=True):
    """The quote whose links were revoked, and how often that was done."""

    quote: QuoteId
    times: Annotated[int, Meta(ge=1, le=1_000_000)]


@operation(
    "POST /v1/quotes/{id}/links", "createLink", "quotes", "act-refused", is_guarded=True, status=201
)
def make(records: Records, call: Call, body: LinkIn) -> Reply[LinkOut]:
    """Create a signed link to the revision on offer, or else to the one agreed, or of a visit that
    is over without one, to what is owed.

    It expires, but opens as long as the machine waits to be collected once its work is finished or
    stopped, or the offer is declined.
    """
    desk, quote = call.desk, call.checked(QUOTE, records.quotes.get)
    revision = sendable(records, quote, "link to")
    expires_at = end_of_link(desk, revision, call.stamp.at)
    if body.days is not None:
        expires_at = min(desk.now() + timedelta(days=body.days), expires_at)
    return Reply(body=make_link(records, desk, quote, revision, expires_at))


@operation("POST /v1/quotes/{id}/links/revoke", "revokeLinks", "quotes")
def revoke(records: Records, call: Call) -> Reply[RevokedOut]:
    """Revoke all links of a quote made so far.

    Customers who open one are told to ask for a new one, as with a link that has expired.
    """
    quote = call.record(QUOTE, records.quotes.get)
    times = revoke_links(records, call.stamp, quote)
    return Reply(body=RevokedOut(quote=written(QUOTE, quote.number), times=times))


def end_of(revision: Revision) -> datetime:
    """Return when a revision's last valid day is over everywhere."""
    return datetime.combine(revision.valid_until + timedelta(days=1), time(), _WESTERNMOST)


def end_of_link(desk: Desk, revision: Revision, now: datetime) -> datetime:
    """Return when a link that is made now ends. No decision depends on it after the revision's last
    valid day; what was agreed, and its account, can still be read.
    """
    return max(end_of(revision), now) + timedelta(days=desk.link_days)


def make_link(
    records: Records,
    desk: Desk,
    quote: KeptQuote,
    revision: Revision,
    expires_at: datetime,
    nonce: bytes = b"",
) -> LinkOut:
    """Return a link to a revision. `nonce` is of `NONCE_BYTES` random bytes; empty: new ones."""
    expires = int(expires_at.timestamp())
    name, nonce = written(QUOTE, quote.number), nonce or desk.draw(NONCE_BYTES)
    link = Link(
        number=name,
        revision=revision.number,
        expires=expires,
        nonce=nonce,
        round=round_of(records, quote),
        epoch=desk.gate.epoch,
        digest=digest_of(revision.sha256),
    )
    token = make_token(desk.secret, link)
    return LinkOut(
        quote=name,
        revision=revision.number,
        token=token,
        path=f"/v1/links/{token}",
        expires_at=datetime.fromtimestamp(expires, UTC),
    )
