"""Links: calls by which a customer reads and decides one revision, without an account."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from hashlib import sha256
from typing import Any, Final, Literal

import msgspec

from kitwright.documents.page_actions import PageActions, PageState
from kitwright.keeping import consent, life, offer
from kitwright.keeping.acts import NothingOffered
from kitwright.keeping.consent import Yes
from kitwright.keeping.key import Scope
from kitwright.keeping.link import (
    NONCE_BYTES,
    Link,
    LinkExpired,
    LinkForged,
    make_token,
    read_token,
)
from kitwright.keeping.overrun import allowance
from kitwright.keeping.record import Hand, KeptQuote, Means, Stamp
from kitwright.keeping.store import Records
from kitwright.keeping.whom import is_for_the_same
from kitwright.quote import amount_of, encode_quote, for_customer
from kitwright.web.calls.additions import read_amount
from kitwright.web.calls.call import Call, Work
from kitwright.web.calls.consent_text import consent_text
from kitwright.web.calls.declared import operation
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.ids import QUOTE, read_id, written
from kitwright.web.calls.link_pages import Offered, decision, drawn_offer
from kitwright.web.calls.links_wire import (
    AgreedOut,
    DecidedOut,
    LinkIn,
    LinkOut,
    NoIn,
    OfferOut,
    YesIn,
)
from kitwright.web.calls.paper import paper_of
from kitwright.web.calls.quotes import checked, quote_of
from kitwright.web.calls.standing import standing
from kitwright.web.edge.negotiate import HTML, JSON, PDF
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply

_FACTS: Final[dict[str, Any]] = {
    "variables": {"token": "The token in the link."},
    "scope": None,
    "is_limited": True,
}


@operation(
    "POST /v1/quotes/{id}/links",
    "createLink",
    "quotes",
    scope=Scope.QUOTE,
    is_once=True,
    is_guarded=True,
    status=201,
    problems=("act-refused",),
)
def make(records: Records, call: Call, body: LinkIn) -> Reply[LinkOut]:
    """Create a link for the customer.

    A signed link to the revision on offer, which expires.
    """
    desk, quote = call.desk, checked(records, call)
    if quote.offered is None:
        raise NothingOffered("link to", quote)
    until = life.revision_of(records, quote, quote.offered).valid_until
    now = desk.now()
    # to the end of the last valid day in the shop's time zone
    days = body.days or (until - desk.today(now)).days + 2
    nonce = desk.draw(NONCE_BYTES)
    return Reply(body=make_link(desk, quote, quote.offered, now + timedelta(days=days), nonce))


def make_link(
    desk: Desk, quote: KeptQuote, revision: int, expires_at: datetime, nonce: bytes
) -> LinkOut:
    """Return a link to a revision. `nonce` is of `NONCE_BYTES` random bytes."""
    expires = int(expires_at.timestamp())
    name = written(QUOTE, quote.number)
    token = make_token(
        desk.secret, Link(number=name, revision=revision, expires=expires, nonce=nonce)
    )
    return LinkOut(
        quote=name,
        revision=revision,
        token=token,
        path=f"/v1/links/{token}",
        expires_at=datetime.fromtimestamp(expires, UTC),
    )


def _read(call: Call) -> Link:
    """Return the link of a call's path. Raises: Refusal: unknown-record, link-expired."""
    try:
        return read_token(call.desk.secret, call.variable("token"), call.desk.now().timestamp())
    except LinkForged as error:
        raise Refusal("unknown-record", str(error)) from None
    except LinkExpired as error:
        raise Refusal("link-expired", str(error)) from None


@operation(
    "GET /v1/links/{token}",
    "getOffer",
    "links",
    forms=(JSON, HTML, PDF),
    keeps="reads",
    problems=("link-expired",),
    **_FACTS,
)
async def offered(call: Call, form: str) -> Reply[OfferOut]:
    """Get the offer of a link.

    One revision as its customer sees it: as JSON, as PDF, or as a page on which it can be accepted
    or declined without a script. Needs only the link's token, not a key.
    """
    desk = call.desk
    await desk.sweep()
    if form == JSON:
        return desk.store.read(lambda records: _offer(records, call))
    return await drawn_offer(call, form, _offered)


def _offer(records: Records, call: Call) -> Reply[OfferOut]:
    link = _read(call)
    quote = quote_of(records, read_id(QUOTE, link.number))
    revision = life.revision_of(records, quote, link.revision)
    if revision.is_erased:
        raise Refusal("link-expired", "what this link led to was erased with its customer's data")
    newer = _newer(records, call, link, quote)
    given = {one.revision: one for one in records.authorisations.of_quote(quote.number)}
    agreed = given.get(link.revision)
    stands = standing(records, quote, revision)
    offer = OfferOut(
        id=link.number,
        revision=link.revision,
        state=revision.state,
        newer=newer,
        expires_at=datetime.fromtimestamp(link.expires, UTC),
        text=consent_text(records, quote, link.revision),
        agreed=None
        if agreed is None
        else AgreedOut(
            at=agreed.at,
            amount=amount_of(agreed.amount),
            limit=amount_of(agreed.limit),
            includes_tax=agreed.includes_tax,
        ),
        sha256=revision.sha256 or sha256(revision.shown).hexdigest(),
        # the encoder copies a Raw in any place; the type says what it holds
        quote=msgspec.Raw(revision.shown),  # type: ignore[arg-type]
        with_additions=msgspec.Raw(for_customer(encode_quote(stands)))  # type: ignore[arg-type]
        if stands.is_added_to
        else None,
    )
    return Reply(body=offer)


def _newer(records: Records, call: Call, link: Link, quote: KeptQuote) -> str | None:
    """Return the path of the revision on offer, if that is not the link's and is for the same
    customer; else None.
    """
    if quote.offered is None or quote.offered == link.revision:
        return None
    own, offered = (
        life.revision_of(records, quote, number) for number in (link.revision, quote.offered)
    )
    if not is_for_the_same(records, own, offered):
        return None
    expires_at = datetime.fromtimestamp(link.expires, UTC)
    return make_link(call.desk, quote, quote.offered, expires_at, link.nonce).path


def _offered(records: Records, call: Call) -> Offered:
    """Return the contents of a link's page. Raises: Refusal: unknown-record, link-expired."""
    link = _read(call)
    quote = quote_of(records, read_id(QUOTE, link.number))
    revision = life.revision_of(records, quote, link.revision)
    if revision.is_erased:
        raise Refusal("link-expired", "what this link led to was erased with its customer's data")
    gross, path = revision.gross, f"/v1/links/{call.variable('token')}"
    usual = None if gross is None else amount_of(gross + allowance(call.desk.overrun, gross))
    paper = paper_of(records, quote, link.revision)
    envelope = paper.envelope
    return Offered(
        paper,
        PageActions(
            state=PageState(revision.state),
            accept_url=f"{path}/accept",
            decline_url=f"{path}/decline",
            newer_url=_newer(records, call, link, quote),
            consent=consent_text(records, quote, link.revision),
            usual_limit=usual,
            decided_at=envelope.agreed_at,
            decided_by=envelope.agreed_by,
            limit=None if envelope.limit is None else amount_of(envelope.limit),
            limit_includes_tax=envelope.limit_includes_tax,
        ),
    )


def _stamp(call: Call, link: Link) -> Stamp:
    now = call.desk.now()
    return Stamp(
        at=now,
        today=call.desk.today(now),
        hand=Hand.link,
        by=link.number,
        request_id=call.request_id,
    )


@decision("accept", "acceptOffer", _offered, problems=("act-refused", "request-refused"), **_FACTS)
def accept(call: Call, body: YesIn) -> Work[DecidedOut]:
    """Accept the offer as the customer.

    Accepts the revision of the link. Repeating the same acceptance has no further effect; another
    one is refused, and `errors` says what is already agreed. A superseded revision is refused; its
    offer has the path of the new one. The offer's page posts the same fields as a form, and is then
    shown again.
    """
    desk, link = call.desk, _read(call)
    limit = read_amount(body.limit, desk.currency, "limit")
    stamp = _stamp(call, link)

    def work(records: Records) -> Reply[DecidedOut]:
        quote = quote_of(records, read_id(QUOTE, link.number))
        yes = Yes(
            who=body.who,
            means=Means.link,
            limit=limit,
            text=consent_text(records, quote, link.revision),
        )
        consent.accept(records, stamp, quote, link.revision, yes=yes, preset=desk.overrun)
        return _decided(link, "accepted")

    return work


@decision("decline", "declineOffer", _offered, problems=("act-refused",), **_FACTS)
def decline(call: Call, body: NoIn) -> Work[DecidedOut]:
    """Decline the offer as the customer.

    Declines the revision of the link. Idempotent: repeating the call has no further effect.
    """
    link = _read(call)
    stamp = _stamp(call, link)

    def work(records: Records) -> Reply[DecidedOut]:
        quote = quote_of(records, read_id(QUOTE, link.number))
        offer.decline(records, stamp, quote, link.revision, body.reason)
        return _decided(link, "declined")

    return work


def _decided(link: Link, state: Literal["accepted", "declined"]) -> Reply[DecidedOut]:
    return Reply(body=DecidedOut(id=link.number, revision=link.revision, state=state))
