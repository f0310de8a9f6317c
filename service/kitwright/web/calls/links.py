"""Links: a customer reads one quote and says yes or no to one revision, without an account."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from typing import Annotated, Final, Literal

import msgspec
from litestar.handlers import HTTPRouteHandler
from msgspec import Meta

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
from kitwright.keeping.record import Hand, KeptQuote, Means, RevisionState, Stamp
from kitwright.keeping.store import Records
from kitwright.keeping.whom import is_for_the_same
from kitwright.quote import Amount, ShownQuote, amount_of, encode_quote, for_customer
from kitwright.web.calls.additions import read_amount
from kitwright.web.calls.consent_text import consent_text
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.handlers import Call, Reply, Work, acting
from kitwright.web.calls.ids import QUOTE, QuoteId, RevisionNumber, read_id, written
from kitwright.web.calls.link_pages import Offered, decision_route, offer_route
from kitwright.web.calls.operations import BODY_PROBLEMS, Operation
from kitwright.web.calls.out import Out
from kitwright.web.calls.paper import paper_of
from kitwright.web.calls.quote_wire import Sha256
from kitwright.web.calls.quotes import checked, quote_of
from kitwright.web.calls.refusals import GUARD_PROBLEMS, ONCE_PROBLEMS
from kitwright.web.calls.standing import standing
from kitwright.web.edge.negotiate import HTML, JSON, PDF
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.shapes import DecimalIn, Text, Wire

_TOKEN: Final = {"token": "The link's token, as it was given."}
_LINK_PROBLEMS: Final = ("unknown-record", "link-over", "too-many-calls", "storage-unavailable")


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


MAKE: Final = Operation(
    method="post",
    path="/v1/quotes/{id}/links",
    id="createLink",
    tag="quotes",
    summary="Make a link for the customer",
    description="A signed link to the revision on offer, which ends by itself.",
    takes=LinkIn,
    answers=LinkOut,
    status=201,
    problems=(*BODY_PROBLEMS, *ONCE_PROBLEMS, *GUARD_PROBLEMS, "unknown-record", "act-refused"),
    variables={"id": "Which quote, by its id."},
    scope=Scope.QUOTE,
    is_once=True,
    is_guarded=True,
)
OFFER: Final = Operation(
    method="get",
    path="/v1/links/{token}",
    id="getOffer",
    tag="links",
    summary="What a customer is offered",
    description=(
        "One revision as its customer sees it, as JSON, as a page on which it is accepted or "
        "declined without a script, or as PDF. Needs the link's token and no key."
    ),
    answers=OfferOut,
    forms=(JSON, HTML, PDF),
    problems=("not-acceptable", *_LINK_PROBLEMS),
    variables=_TOKEN,
    scope=None,
    is_limited=True,
)
YES: Final = Operation(
    method="post",
    path="/v1/links/{token}/accept",
    id="acceptOffer",
    tag="links",
    summary="The customer says yes",
    description=(
        "Accepts the revision of the link. Twice is once. An old revision is refused; the offer "
        "itself leads to the new one. The offer's page posts the same as a form, and is shown "
        "again."
    ),
    takes=YesIn,
    answers=DecidedOut,
    forms=(JSON, HTML),
    problems=(*BODY_PROBLEMS, *_LINK_PROBLEMS, "act-refused", "request-refused", "storage-full"),
    variables=_TOKEN,
    scope=None,
    is_limited=True,
)
NO: Final = Operation(
    method="post",
    path="/v1/links/{token}/decline",
    id="declineOffer",
    tag="links",
    summary="The customer says no",
    description="Declines the revision of the link. Twice is once.",
    takes=NoIn,
    answers=DecidedOut,
    forms=(JSON, HTML),
    problems=(*BODY_PROBLEMS, *_LINK_PROBLEMS, "act-refused", "storage-full"),
    variables=_TOKEN,
    scope=None,
    is_limited=True,
)
OPERATIONS: Final = (MAKE, OFFER, YES, NO)


def make_handlers(desk: Desk) -> Iterator[HTTPRouteHandler]:
    """Yield the handlers of this module's operations."""
    yield acting(desk, MAKE, _make)
    yield offer_route(desk, OFFER, _offer, _offered)
    yield decision_route(desk, YES, YesIn, _yes, _offered)
    yield decision_route(desk, NO, NoIn, _no, _offered)


async def _make(call: Call) -> Work:
    desk, asked, nonce = call.desk, call.body(LinkIn), call.desk.draw(NONCE_BYTES)

    def work(records: Records) -> Reply:
        quote = checked(records, call)
        if quote.offered is None:
            raise NothingOffered("make a link to", quote)
        until = life.revision_of(records, quote, quote.offered).valid_until
        now = desk.now()
        # to the end of the last valid day, wherever that is
        days = asked.days or (until - desk.today(now)).days + 2
        made = make_link(desk, quote, quote.offered, now + timedelta(days=days), nonce)
        return Reply(body=msgspec.json.encode(made), status=201)

    return work


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
    """Return the link of a call's path. Raises: Refusal: unknown-record, link-over."""
    try:
        return read_token(call.desk.secret, call.variable("token"), call.desk.now().timestamp())
    except LinkForged as error:
        raise Refusal("unknown-record", str(error)) from None
    except LinkExpired as error:
        raise Refusal("link-over", str(error)) from None


def _offer(records: Records, call: Call) -> Reply:
    link = _read(call)
    quote = quote_of(records, read_id(QUOTE, link.number))
    revision = life.revision_of(records, quote, link.revision)
    if revision.is_erased:
        raise Refusal("link-over", "what this link led to was erased with its customer's data")
    newer = _newer(records, call, link, quote)
    given = {one.revision: one for one in records.quotes.authorisations(quote.number)}
    agreed = given.get(link.revision)
    stands = standing(records, quote, revision)
    is_added_to = stands.is_added_to
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
        # the encoder copies a Raw wherever it stands; the type says what it holds
        quote=msgspec.Raw(revision.shown),  # type: ignore[arg-type]
        with_additions=msgspec.Raw(for_customer(encode_quote(stands))) if is_added_to else None,  # type: ignore[arg-type]
    )
    return Reply(body=msgspec.json.encode(offer))


def _newer(records: Records, call: Call, link: Link, quote: KeptQuote) -> str | None:
    """Return where the revision on offer is read, where that is another than the link's and for the
    same customer.
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
    """Return what a link's page is made of. Raises: Refusal: unknown-record, link-over."""
    link = _read(call)
    quote = quote_of(records, read_id(QUOTE, link.number))
    revision = life.revision_of(records, quote, link.revision)
    if revision.is_erased:
        raise Refusal("link-over", "what this link led to was erased with its customer's data")
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


def _yes(call: Call, asked: YesIn) -> Work:
    desk, link = call.desk, _read(call)
    limit = read_amount(asked.limit, desk.currency, "limit")
    preset = desk.overrun
    stamp = _stamp(call, link)

    def work(records: Records) -> Reply:
        quote = quote_of(records, read_id(QUOTE, link.number))
        yes = Yes(
            who=asked.who,
            means=Means.link,
            limit=limit,
            text=consent_text(records, quote, link.revision),
        )
        consent.accept(records, stamp, quote, link.revision, yes=yes, preset=preset)
        return _decided(link, "accepted")

    return work


def _no(call: Call, asked: NoIn) -> Work:
    link = _read(call)
    stamp = _stamp(call, link)

    def work(records: Records) -> Reply:
        quote = quote_of(records, read_id(QUOTE, link.number))
        offer.decline(records, stamp, quote, link.revision, asked.reason)
        return _decided(link, "declined")

    return work


def _decided(link: Link, state: Literal["accepted", "declined"]) -> Reply:
    out = DecidedOut(id=link.number, revision=link.revision, state=state)
    return Reply(body=msgspec.json.encode(out))
