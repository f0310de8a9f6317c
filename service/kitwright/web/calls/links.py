"""Links: calls by which a customer reads and decides one revision, without an account."""

from __future__ import annotations

from datetime import UTC, datetime
from hashlib import sha256
from typing import Any, Final, Literal

import msgspec
from msgspec import structs

from kitwright.catalogue.model import OverrunPreset
from kitwright.documents.choices_view import choices_of
from kitwright.documents.page_actions import PageActions, PageState
from kitwright.documents.page_words import set_off_told
from kitwright.keeping import consent, distance, life, offer
from kitwright.keeping.acts import NothingOffered
from kitwright.keeping.choosing import agreed_from, withdrawn_from
from kitwright.keeping.consent import Yes, limit_before
from kitwright.keeping.distance import (
    may_withdraw,
    waits_until,
    withdrawn_at,
)
from kitwright.keeping.life import chosen_of
from kitwright.keeping.link import Link, LinkRevoked
from kitwright.keeping.link_rounds import check_round
from kitwright.keeping.overrun import usual_limit
from kitwright.keeping.record import (
    Hand,
    KeptQuote,
    Means,
    OrderState,
    QuoteState,
    Revision,
    RevisionState,
    Stamp,
)
from kitwright.keeping.set_off import may_set_off
from kitwright.keeping.store import Records
from kitwright.keeping.waiting import waits_since
from kitwright.keeping.whom import is_for_the_same
from kitwright.language.scribe import Scribe
from kitwright.money import Money
from kitwright.quote import (
    CourseName,
    JobOn,
    Paper,
    Quote,
    ShownChange,
    ShownQuote,
    amount_of,
    change_for_customer,
    encode_quote,
    for_customer,
    read_quote,
)
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.web.calls import withdrawing
from kitwright.web.calls.amounts import read_amount_or_none, read_total_or_none
from kitwright.web.calls.call import Call, quote_of
from kitwright.web.calls.from_afar import WithdrawalOut, right_of_yes, told_right, words_of_wish
from kitwright.web.calls.handlers import Work, operation
from kitwright.web.calls.ids import QUOTE, QuoteId, RevisionNumber, Sha256, written
from kitwright.web.calls.link_closing import OfferAccountOut, closing_of, told_account
from kitwright.web.calls.link_in import check_standing, link_in
from kitwright.web.calls.link_making import LinkOut, make_link
from kitwright.web.calls.link_pages import Offered, beside, choice_form, decision, drawn_offer
from kitwright.web.calls.shown import Out, raw
from kitwright.web.calls.standing import change_of, consent_text, paper_of, standing
from kitwright.web.calls.ticking import (
    TicksIn,
    choose,
    offer_in,
    sorted_jobs,
    text_of_choice,
)
from kitwright.web.calls.waiting import to_collect
from kitwright.web.calls.waiting_period import with_wait
from kitwright.web.calls.wire import Jobs
from kitwright.web.edge.negotiate import HTML, JSON, PDF
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import DecimalIn, Text, Wire


class AgreedOut(Out, frozen=True, kw_only=True):
    """The amount accepted with this revision, and its limit; both include tax if `includes_tax`."""

    at: datetime
    amount: Money
    limit: Money
    includes_tax: bool


class OfferOut(Out, frozen=True, kw_only=True):
    """A revision as its customer sees it.

    `state` is its current state; while it is `issued`, it can be accepted or declined. `text` is
    the exact text that the customer accepts. If a newer revision is on offer to the same customer,
    or agreed with them, `newer` is its path. `sha256` is of the bytes of `quote`, which never
    change. `with_additions` is the quote including the lines added since it was accepted, null if
    there are none. `change` is what it asks for beyond what is agreed, null of a first offer.
    `account` is the account of a visit that is over. Once the offer no longer stands
    (`withdrawn`, `superseded`, `expired`), what it said is null.
    """

    id: QuoteId
    revision: RevisionNumber
    state: RevisionState
    newer: str | None
    expires_at: datetime
    text: str | None = None
    agreed: AgreedOut | None = None
    sha256: Sha256 | None = None
    quote: ShownQuote | None = None
    with_additions: ShownQuote | None = None
    change: ShownChange | None = None
    account: OfferAccountOut | None = None
    withdrawal: WithdrawalOut | None = None


class YesIn(TicksIn, frozen=True, kw_only=True):
    """A customer's acceptance: a name, and the highest bill allowed; null: the amount plus the
    overrun that the shop's rule allows.

    `course`, `leave_out` and `extras` are what the customer chose of the offer; then `amount`, the
    total of that choice that the customer was shown, is required. It is checked. An offer with
    several courses can't be accepted without one. `start_early`: the work may begin before the
    customer can no longer withdraw, if there is a right to that (`withdrawal`).
    """

    who: Text
    limit: DecimalIn | None = None
    amount: DecimalIn | None = None
    start_early: bool = False


class OfferedChoiceOut(Out, frozen=True, kw_only=True):
    """A choice of an offer, priced: its course, jobs left out and extras added, sorted; its total,
    and how much `more` that is than the offer's, less if negative, both including tax; the text
    that the customer accepts with it; and the whole quote.
    """

    id: QuoteId
    revision: RevisionNumber
    course: CourseName | None
    leave_out: Jobs
    extras: Jobs
    total: Money
    more: Money
    text: str
    quote: ShownQuote


class EarlyIn(Wire, frozen=True, kw_only=True):
    """A customer's wish, after the yes, that the work begin at once: who says so; null: who gave
    the yes.
    """

    who: Text | None = None


class WithdrawIn(Wire, frozen=True, kw_only=True):
    """A customer's withdrawal from a contract that was made by a link."""

    who: Text


class NoIn(Wire, frozen=True, kw_only=True):
    """A customer's refusal."""

    reason: Text | None = None


class DecidedOut(Out, frozen=True, kw_only=True):
    """The result of a customer's decision."""

    id: QuoteId
    revision: RevisionNumber
    state: Literal["accepted", "declined", "withdrawn"]


ENDED: Final = (RevisionState.withdrawn, RevisionState.superseded, RevisionState.expired)
"""The states in which an offer no longer stands."""
LINK_FACTS: Final[dict[str, Any]] = {
    "variables": {"token": "The token in the link."},
    "scope": None,
    "is_limited": True,
}


def _read(records: Records, call: Call) -> tuple[Link, Stamp, KeptQuote]:
    """Return the link of a call's path, the stamp of what its customer does, and its quote.

    Raises: Refusal: unknown-record, link-expired.
    """
    link = link_in(call, lambda expired: _is_here(records, expired))
    quote = quote_of(records, link.number)
    revision = records.revisions.get(quote.number, link.revision)
    check_standing(records, link, None if revision is None else revision.sha256)
    try:
        check_round(records, quote, link)
    except LinkRevoked as error:
        raise Refusal("link-expired", str(error)) from None
    return link, call.desk.stamp(Hand.link, link.number, call.request_id), quote


def _is_here(records: Records, link: Link) -> bool:
    """Return whether the machine of a link's quote waits to be collected. Until it is, the link
    opens, because by it the customer is told to.
    """
    try:
        quote = quote_of(records, link.number)
    except Refusal:
        return False
    return waits_since(records, quote) is not None


def by_link(records: Records, call: Call) -> tuple[Link, KeptQuote, Revision]:
    """Return the link of a call's path, with its quote and revision.

    Raises: Refusal: unknown-record, link-expired.
    """
    link, _, quote = _read(records, call)
    # what was chosen of an offer is shown where the offer was
    revision = (
        agreed_from(records, quote, link.revision)
        or withdrawn_from(records, quote, link.revision)
        or life.revision_of(records, quote, link.revision)
    )
    if revision.is_erased:
        raise _erased()
    return link, quote, revision


def _erased() -> Refusal:
    return Refusal("link-expired", "what this link led to was erased with its customer's data")


@operation(
    "GET /v1/links/{token}",
    "getOffer",
    "links",
    "link-expired",
    "too-busy",
    forms=(JSON, HTML, PDF),
    keeps="reads",
    **LINK_FACTS,
)
async def offered(call: Call, form: str) -> Reply[OfferOut]:
    """Get the offer of a link.

    One revision as its customer sees it: as JSON, as PDF, or as a page on which it can be accepted
    or declined without a script. Needs only the link's token, not a key.
    """
    desk = call.desk
    if form == JSON:
        return desk.store.read(lambda records: _offer(records, call))
    return await drawn_offer(call, form, _offered, _choosing)


def _offer(records: Records, call: Call) -> Reply[OfferOut]:
    link, quote, revision = by_link(records, call)
    newer = _newer(records, call, link, quote)
    head = OfferOut(
        id=link.number,
        revision=revision.number,
        state=revision.state,
        newer=None if newer is None else newer.path,
        expires_at=datetime.fromtimestamp(link.expires, UTC),
        account=told_account(
            closing_of(
                records, quote, revision, link.expires, f"/v1/links/{call.variable('token')}"
            )
        ),
    )
    if revision.state in ENDED:
        return Reply(body=head)
    agreed = [
        msgspec.convert(given, AgreedOut, from_attributes=True)
        for given in records.authorisations.of_quote(quote.number)
        if given.revision == revision.number and withdrawn_at(given.from_afar) is None
    ]
    stands = standing(records, quote, revision)
    change = change_of(records, quote, revision, call.desk.overrun)
    offer = structs.replace(
        head,
        text=_text(records, quote, revision),
        agreed=agreed[0] if agreed else None,
        sha256=revision.sha256 or sha256(revision.shown).hexdigest(),
        # the encoder copies a Raw in any place; the member's type says what it holds
        quote=msgspec.Raw(revision.shown),
        with_additions=msgspec.Raw(for_customer(encode_quote(stands)))
        if stands.is_added_to
        else None,
        change=None if change is None else change_for_customer(change),
        withdrawal=told_right(records, call.desk, quote, revision),
    )
    return Reply(body=offer)


def _newer(records: Records, call: Call, link: Link, quote: KeptQuote) -> LinkOut | None:
    """Return a link to the revision on offer, or else to the one that is agreed, if that is later
    than the link's and for the same customer; else None.
    """
    number = quote.offered or quote.agreed
    if number is None or number <= link.revision or _leads_to(records, quote, link, number):
        return None
    own, later = (life.revision_of(records, quote, one) for one in (link.revision, number))
    if not is_for_the_same(records, own, later):
        return None
    expires_at = datetime.fromtimestamp(link.expires, UTC)
    return make_link(records, call.desk, quote, later, expires_at, link.nonce)


def _leads_to(records: Records, quote: KeptQuote, link: Link, number: int) -> bool:
    """Return whether a link shows a revision already, because it was chosen from the link's."""
    agreed = agreed_from(records, quote, link.revision)
    return agreed is not None and agreed.number == number


def _offered(records: Records, call: Call) -> Offered:
    """Return the contents of a link's page. Raises: Refusal: unknown-record, link-expired."""
    link, quote, revision = by_link(records, call)
    newer = _newer(records, call, link, quote)
    gross, overrun = revision.gross, call.desk.overrun
    before = limit_before(records, quote, revision.number, includes_tax=True)
    usual = None if gross is None else amount_of(usual_limit(overrun, gross, before))
    here = beside(call, call.variable("token"))
    paper = with_wait(
        paper_of(records, quote, revision.number, call.desk.overrun),
        call.desk.service.workshop.shop,
    )
    envelope, can_accept = paper.envelope, may_set_off(records, quote, revision.number)
    is_waiting = waits_until(records, quote, call.desk.today()) is not None
    is_open_to_withdraw = quote.agreed == revision.number and may_withdraw(
        records, quote, call.desk.today()
    )
    return Offered(
        paper,
        PageActions(
            state=PageState(revision.state),
            accept_url=beside(call, call.variable("token"), "accept") if can_accept else None,
            photos_url=beside(call, call.variable("token"), "photos"),
            decline_url=beside(call, call.variable("token"), "decline"),
            newer_url=None if newer is None else beside(call, newer.token),
            consent=_text(records, quote, revision),
            usual_limit=usual,
            decided_at=envelope.agreed_at,
            decided_by=envelope.agreed_by,
            limit=None if envelope.limit is None else amount_of(envelope.limit),
            limit_includes_tax=envelope.limit_includes_tax,
            notice=to_collect(call.desk, records, quote, paper)
            if can_accept or revision.state is not RevisionState.issued
            else set_off_told(Scribe(paper.quote.language)),
            withdraw_url=beside(call, call.variable("token"), "withdraw")
            if is_open_to_withdraw
            else None,
            early_url=beside(call, call.variable("token"), "early-start")
            if quote.agreed == revision.number and is_waiting
            else None,
            visit=_how_far(records, quote),
            valid_until=revision.valid_until,
        ),
        closing_of(records, quote, revision, link.expires, here),
    )


def _how_far(records: Records, quote: KeptQuote) -> str:
    """Return the state of a quote; or `asking` if a change of what is agreed is on offer, and
    `ordering` if an order for it is still to be sent.
    """
    if quote.agreed is not None and quote.offered not in (None, quote.agreed):
        return "asking"
    is_ordered = quote.state is QuoteState.ordered
    if is_ordered and records.orders.find(quote.number, None, None, 1, OrderState.draft):
        return "ordering"
    return quote.state.value


def _text(records: Records, quote: KeptQuote, revision: Revision) -> str:
    """Return the text that was accepted with a revision, or by which it can be accepted."""
    given = records.authorisations.get(quote.number, revision.number)
    if given is None or chosen_of(revision) is None:
        return consent_text(records, quote, revision.number)
    return given.text


class AmountNotGiven(RequestFault):
    """An acceptance of a choice that does not say which total was shown."""

    code = "amount-not-given"

    def __init__(self) -> None:
        super().__init__(
            "an acceptance with a course, leave_out or extras needs the amount that was shown"
        )


async def _choosing(call: Call, found: Offered, ticks: TicksIn) -> Offered:
    """Return the page of an offer with what its customer chose.

    Raises: RequestRefused, ChoicesClosed, PartsNotAvailable.
    """
    if not found.actions.is_open:
        return found
    desk = call.desk
    offer = desk.store.read(lambda records: _of_link(records, call))
    whole = await choose(desk, offer, TicksIn(course=ticks.course))
    one = await choose(desk, offer, ticks)
    choices = choices_of(
        whole.quote,
        one.quote,
        ticks,
        Scribe(one.quote.language),
        courses=read_quote(one.offer.answer).courses,
        url=beside(call, call.variable("token"), "choice"),
    )
    change, gross = found.paper.envelope.change, one.revision.gross
    before = None if change is None else (change.now.money, change.limit.money)
    usual = None if gross is None else amount_of(usual_limit(desk.overrun, gross, before))
    return Offered(
        with_wait(_as_chosen(found.paper, one.quote, desk.overrun), desk.service.workshop.shop),
        structs.replace(
            found.actions,
            consent=text_of_choice(desk, one),
            usual_limit=usual,
            choices=choices if choices.is_any else None,
        ),
    )


def _as_chosen(paper: Paper, chosen: Quote, preset: OverrunPreset | None) -> Paper:
    """Return a paper with what was chosen of its quote, and the change that it comes to then."""
    envelope, change = paper.envelope, paper.envelope.change
    if change is not None and chosen.totals.gross is not None:
        now = chosen.totals.gross.money
        change = structs.replace(
            change,
            difference=amount_of(now - change.was.money),
            now=amount_of(now),
            limit=amount_of(usual_limit(preset, now, (change.now.money, change.limit.money))),
            more=tuple(job for job in change.more if _has(chosen, job)),
            ready_on=chosen.ready_on,
        )
    return Paper(quote=chosen, envelope=structs.replace(envelope, change=change))


def _has(quote: Quote, job: JobOn) -> bool:
    return any((one.job, one.cylinder) == (job.job, job.cylinder) for one in quote.jobs)


@choice_form(
    "POST /v1/links/{token}/choice",
    "chooseOfOffer",
    _offered,
    _choosing,
    problems=("request-refused", "act-refused", "catalogue-gap", "link-expired", "too-busy"),
    keeps="reads",
    **LINK_FACTS,
)
async def choice(call: Call, body: TicksIn) -> Reply[OfferedChoiceOut]:
    """Price a choice as the customer.

    The offer without the jobs left out and with the extras added. Nothing is stored: the customer
    accepts it with the same members, and its total in `amount`. A job with a reason in `stays`
    can't be left out. The offer's page posts its boxes as a form, and is shown with the choice.
    """
    found = call.desk.store.read(lambda records: _of_link(records, call))
    one = await choose(call.desk, found, body)
    body_shown = one.offer.shown if one.figures is None else for_customer(one.figures.answer)
    return Reply(
        body=OfferedChoiceOut(
            id=written(QUOTE, one.offer.quote),
            revision=one.offer.number,
            course=body.course,
            leave_out=sorted_jobs(body.leave_out),
            extras=sorted_jobs(body.extras),
            total=one.price,
            more=one.more,
            text=text_of_choice(call.desk, one),
            quote=raw(body_shown),
        )
    )


def _of_link(records: Records, call: Call) -> tuple[Revision, Revision | None]:
    """Return the revision of a link to choose of, and what is agreed of it already.

    Raises: Refusal: unknown-record, link-expired; NothingOffered.
    """
    link, _, quote = _read(records, call)
    offer, agreed = offer_in(records, quote, link.revision)
    if offer.is_erased:
        raise _erased()
    if agreed is None and offer.state in ENDED:
        raise NothingOffered("choose of", quote)
    return offer, agreed


@decision(
    "accept",
    "acceptOffer",
    _offered,
    _choosing,
    "act-refused",
    "request-refused",
    "catalogue-gap",
    "too-busy",
    **LINK_FACTS,
)
async def accept(call: Call, body: YesIn) -> Work[DecidedOut]:
    """Accept the offer as the customer.

    Accepts the revision of the link, as it stands or as the customer chose of it; a choice is kept
    as a revision of its own. Repeating the same acceptance has no further effect; another one is
    refused, and `errors` says what is already agreed. A superseded revision is refused; its offer
    has the path of the new one. The offer's page posts the same fields as a form, and is then shown
    again.
    """
    desk = call.desk
    limit = read_amount_or_none(body.limit, desk.currency, "limit")
    amount = read_total_or_none(body.amount, desk.currency, "amount")
    found = desk.store.read(lambda records: _offer_of(records, call))
    one = await choose(desk, found, body, is_final=True)
    if one.figures is not None and amount is None:
        raise RequestRefused([AmountNotGiven().at("amount")])

    def work(records: Records) -> Reply[DecidedOut]:
        link, stamp, quote = _read(records, call)
        made, told = right_of_yes(records, desk, stamp, quote, one, starts_early=body.start_early)
        yes = Yes(
            who=body.who,
            means=Means.link,
            limit=limit,
            amount=amount,
            text=f"{text_of_choice(desk, one)}{told}",
            from_afar=made,
        )
        kept = consent.accept(
            records,
            stamp,
            quote,
            link.revision,
            yes=yes,
            preset=desk.overrun,
            choice=one.figures,
        )
        agreed = kept.agreed or link.revision
        return Reply(body=DecidedOut(id=link.number, revision=agreed, state="accepted"))

    return work


def _offer_of(records: Records, call: Call) -> tuple[Revision, Revision | None]:
    """Return the revision of a link, whatever its state, and what is agreed of it already."""
    link, _, quote = _read(records, call)
    return offer_in(records, quote, link.revision)


@decision("decline", "declineOffer", _offered, _choosing, "act-refused", **LINK_FACTS)
def decline(records: Records, call: Call, body: NoIn) -> Reply[DecidedOut]:
    """Decline the offer as the customer.

    Declines the revision of the link. Idempotent: repeating the call has no further effect.
    """
    link, stamp, quote = _read(records, call)
    offer.decline(records, stamp, quote, link.revision, body.reason)
    return Reply(body=DecidedOut(id=link.number, revision=link.revision, state="declined"))


@decision("withdraw", "withdrawByLink", _offered, _choosing, "act-refused", **LINK_FACTS)
def withdraw(records: Records, call: Call, body: WithdrawIn) -> Reply[DecidedOut]:
    """Withdraw from the contract as the customer.

    For a consumer whose yes by the link made a contract from afar, as long as the period lasts
    (`withdrawal` of the offer). Before the work has begun, nothing is agreed any longer. Once it
    has, the shop stops it, and bills what was done until then. The receipt goes to the customer's
    e-mail address, if one is known. Idempotent: repeating the call has no further effect.
    """
    link, stamp, quote = _read(records, call)
    withdrawing.withdraw(call.desk, records, stamp, quote, who=body.who, means=Means.link)
    return Reply(body=DecidedOut(id=link.number, revision=link.revision, state="withdrawn"))


@decision("early-start", "startEarlyByLink", _offered, _choosing, "act-refused", **LINK_FACTS)
def early_start(records: Records, call: Call, body: EarlyIn) -> Reply[DecidedOut]:
    """Ask for an early start as the customer.

    For a consumer whose yes by the link made a contract from afar and did not say so
    (`starts_early` of `withdrawal`): the work need no longer wait until the period is over. The
    wish is recorded in the words of `wish`. Idempotent: repeating the call has no further effect.
    """
    link, stamp, quote = _read(records, call)
    text = words_of_wish(records, quote)
    distance.wish_early_start(records, stamp, quote, who=body.who, means=Means.link, text=text)
    return Reply(body=DecidedOut(id=link.number, revision=link.revision, state="accepted"))
