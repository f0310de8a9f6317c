"""Acts: calls that issue, decide, withdraw and start a quote."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Annotated, Any, Final, Literal

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta

from kitwright.errors import KitwrightError
from kitwright.keeping import consent, distance, life, offer
from kitwright.keeping.acts import NothingOffered, NotNow, NotQuotable, check_act
from kitwright.keeping.advancing import credit_undue
from kitwright.keeping.consent import Yes
from kitwright.keeping.life import revision_of
from kitwright.keeping.prices import PriceMoved, moved_prices
from kitwright.keeping.record import KeptQuote, Means, QuoteState, Revision, RevisionState
from kitwright.keeping.store import Records
from kitwright.money import Money
from kitwright.quote import CourseName, Quote, for_customer, read_quote
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.telling.advance import tell_advances
from kitwright.web.calls import withdrawing
from kitwright.web.calls.amounts import read_amount_or_none, read_total_or_none
from kitwright.web.calls.call import Call, answer
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.freezing import freezing
from kitwright.web.calls.from_afar import words_of_wish
from kitwright.web.calls.handlers import Work, operation
from kitwright.web.calls.ids import QUOTE, QuoteId, RevisionNumber, written
from kitwright.web.calls.order_making import can_begin, unordered
from kitwright.web.calls.quotes import QuoteHeadOut, changed_since, head_of
from kitwright.web.calls.reckoning import of_today
from kitwright.web.calls.service import Service
from kitwright.web.calls.shown import Out, raw
from kitwright.web.calls.ticking import (
    TicksIn,
    choose,
    offer_in,
    sorted_jobs,
    text_of_choice,
)
from kitwright.web.calls.wire import Jobs
from kitwright.web.edge.problems import GAPS
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import DecimalIn, Text, Wire

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
_CANNOT: Final[tuple[type[KitwrightError], ...]] = (RequestRefused, *GAPS)
"""Errors that say that a request can't, or can no longer, be answered."""


class WithdrawalIn(Wire, frozen=True, kw_only=True):
    """A customer's withdrawal as the shop records it: who said so, how, and when; null: now."""

    who: Text
    means: Literal["in_person", "telephone", "link", "email"]
    at: Moment | None = None


class EarlyStartIn(Wire, frozen=True, kw_only=True):
    """A customer's wish, after the yes, that the work begin at once, as the shop records it: who
    said so and how. `text` is what was said or read out; null: the words of the offer's page.
    """

    who: Text
    means: Literal["in_person", "telephone", "email"]
    text: Words | None = None


class NotYetSaid(RequestFault):
    """A withdrawal in the future."""

    code = "not-yet-said"

    def __init__(self) -> None:
        super().__init__("a customer can't have withdrawn in the future")


class IssueIn(Wire, frozen=True, kw_only=True):
    """Whether a draft is issued although its prices are different today. Without `keep_prices` it
    is refused; with a reason, it is issued at its own prices. The revision keeps the reason as its
    `reason`.
    """

    keep_prices: Text | None = None


class AcceptIn(TicksIn, frozen=True, kw_only=True):
    """A customer's acceptance of one revision, as the shop records it.

    `amount` is the total that the customer accepted, and is checked against the revision. `limit`
    is the highest bill allowed; null: the amount plus the overrun that the shop's preset allows, or
    the limit that was named for what is agreed already, if that is higher.
    Both include tax if `includes_tax` (null: as the shop's limits do). `contact` is the phone
    number or address by which the customer accepted. `text` is the text shown or read out; null:
    the text that this service makes for the revision. `course`, `leave_out` and `extras` are what
    the customer chose of the offer; `amount` is then the total of that choice. An offer with
    several courses can't be accepted without one.
    """

    revision: RevisionNumber
    who: Text
    means: Literal["in_person", "telephone", "email"]
    contact: Text | None = None
    at: Moment | None = None
    amount: DecimalIn | None = None
    limit: DecimalIn | None = None
    includes_tax: bool | None = None
    text: Words | None = None


class StartIn(Wire, frozen=True, kw_only=True):
    """Whether the machine is torn down before its parts are ordered (`tear_down_first`), so that
    they can be ordered once, when it is known what is needed.
    """

    tear_down_first: bool = False


class ChoiceIn(TicksIn, frozen=True, kw_only=True):
    """What a customer may choose of one revision."""

    revision: RevisionNumber


class ChoiceOut(Out, frozen=True, kw_only=True):
    """A choice of a revision, priced: its course, jobs left out and extras added, sorted; its
    total, and how much `more` that is than the revision's, less if negative, both with tax if it is
    known; the text by which a customer accepts it; and the whole quote.
    """

    id: QuoteId
    revision: RevisionNumber
    course: CourseName | None
    leave_out: Jobs
    extras: Jobs
    total: Money
    more: Money
    text: str
    quote: Quote


class DeclineIn(Wire, frozen=True, kw_only=True):
    """A customer's refusal of one revision."""

    revision: RevisionNumber
    reason: Text | None = None


def _act(
    name: str, *problems: str, **facts: Any
) -> Callable[[Callable[..., Any]], HTTPRouteHandler]:
    line, known = f"POST /v1/quotes/{{id}}/{name}", ("act-refused", *problems)
    return operation(line, f"{name}Quote", "quotes", *known, is_guarded=True, **facts)


def _told(call: Call, records: Records, quote: KeptQuote) -> Reply[QuoteHeadOut]:
    return answer(call.desk, head_of(call.desk, records, quote))


@_act("issue", "prices-moved", "too-busy", may_be_empty=True)
async def issue(call: Call, body: IssueIn) -> Work[QuoteHeadOut]:
    """Offer the newest revision.

    Puts the draft on offer; from then on it never changes. While another revision is agreed, that
    one stays the one shown, and `offer` has the totals of the new one. The revision on offer before
    is superseded. A quote without a tax area can't be issued. Nor can a quote with a part that no
    source can supply (`parts-not-available`); a part that the customer brings counts as supplied,
    and so does one that is on the shelf. Nor can a quote whose prices are different today, by the
    catalogue, by the day's rates or by what is free on the shelf; if the quote's own day is in the
    future, that day's rates count. `errors` then lists each price that changed. Revise the quote,
    or give the reason for keeping its prices in `keep_prices`. The body may be left out.
    """
    desk, stamp = call.desk, call.stamp

    def draft_of(records: Records) -> Revision:
        return offer.draft_to_issue(records, call.checked(QUOTE, records.quotes.get), stamp)

    draft = desk.store.read(draft_of)
    moved = await _moved(desk, draft, is_kept=body.keep_prices is not None)
    freeze = await freezing(desk, draft.catalogue_revision)

    def work(records: Records) -> Reply[QuoteHeadOut]:
        quote = call.checked(QUOTE, records.quotes.get)
        if draft_of(records) != draft:
            # the revision compared is not the one that would be issued
            raise changed_since(desk, quote)
        issued = offer.issue(
            records, stamp, quote, for_customer, moved=moved, keep_prices=body.keep_prices
        )
        freeze(records, stamp)
        return _told(call, records, issued)

    return work


async def _moved(desk: Desk, draft: Revision, *, is_kept: bool) -> tuple[PriceMoved, ...] | None:
    """Return the prices of a draft that would be different today. If its prices are kept and the
    request can no longer be answered, return None.

    Raises: NotQuotable.
    """
    asked = of_today(desk, draft)
    try:
        now = await desk.beside(Service.quote, asked, desk.stock(draft.quote), desk.estimates_on())
    except _CANNOT as error:
        if is_kept:
            return None
        raise NotQuotable(draft.number, error) from None
    return moved_prices(read_quote(draft.answer), now)


@operation(
    "POST /v1/quotes/{id}/choice",
    "priceChoice",
    "quotes",
    "request-refused",
    "act-refused",
    "catalogue-gap",
    "too-busy",
    keeps="reads",
)
async def choice(call: Call, body: ChoiceIn) -> Reply[ChoiceOut]:
    """Price what a customer chooses.

    Quotes a revision without jobs that its customer leaves out, and with extras that the customer
    adds, from what the revision was made with: its day, the stock of then, and the catalogue and
    prices of then. It is the quote that the same request with them in `leave_out` and `add_jobs`
    would have made. Nothing is stored. A job with a reason in `stays` can't be left out.
    """

    def found(records: Records) -> tuple[Revision, Revision | None]:
        return offer_in(records, call.record(QUOTE, records.quotes.get), body.revision)

    one = await choose(call.desk, call.desk.store.read(found), body)
    offer, revision = one.offer, one.revision
    return Reply(
        body=ChoiceOut(
            id=written(QUOTE, offer.quote),
            revision=offer.number,
            course=body.course,
            leave_out=sorted_jobs(body.leave_out),
            extras=sorted_jobs(body.extras),
            total=one.price,
            more=one.more,
            text=text_of_choice(call.desk, one),
            quote=raw(revision.answer),
        )
    )


@_act("accept", "request-refused", "catalogue-gap", "too-busy")
async def accept(call: Call, body: AcceptIn) -> Work[QuoteHeadOut]:
    """Record the customer's acceptance.

    Binds the authorisation to the revision on offer, its amount and a limit. If the customer left
    jobs out or added extras, what was agreed is kept as a whole revision of its own, whose request
    names in `chosen` the revision and the jobs; the authorisation is bound to it. Accepting the
    revision in force again has no effect if every term given is the one recorded; otherwise it is
    refused, and `errors` says what is already agreed.
    """
    desk = call.desk
    amount = read_total_or_none(body.amount, desk.currency, "amount")
    limit = read_amount_or_none(body.limit, desk.currency, "limit")
    includes_tax = body.includes_tax
    if includes_tax is None:
        includes_tax = desk.service.workshop.shop.quote.limit_includes_tax

    def of_offer(records: Records) -> tuple[Revision, Revision | None]:
        quote = call.checked(QUOTE, records.quotes.get)
        found = offer_in(records, quote, body.revision)
        if found[0].state is RevisionState.draft:
            raise NothingOffered("accept", quote)
        return found

    found = desk.store.read(of_offer)
    choice = await choose(desk, found, body, is_final=True)

    def work(records: Records) -> Reply[QuoteHeadOut]:
        quote = call.checked(QUOTE, records.quotes.get)
        yes = Yes(
            who=body.who,
            means=Means(body.means),
            contact=body.contact,
            at=body.at,
            includes_tax=includes_tax,
            amount=amount,
            limit=limit,
            text=body.text or text_of_choice(desk, choice),
            from_afar=distance.from_afar(records, quote),
        )
        agreed = consent.accept(
            records,
            call.stamp,
            quote,
            body.revision,
            yes=yes,
            preset=desk.overrun,
            choice=choice.figures,
        )
        return _told(call, records, agreed)

    return work


@_act("decline", "request-refused")
def decline(records: Records, call: Call, body: DeclineIn) -> Reply[QuoteHeadOut]:
    """Record the customer's refusal.

    Ends the offer of a revision. An earlier agreement stays in force.
    """
    quote = call.checked(QUOTE, records.quotes.get)
    declined = offer.decline(records, call.stamp, quote, body.revision, body.reason)
    return _told(call, records, declined)


@_act("withdraw")
def withdraw(records: Records, call: Call) -> Reply[QuoteHeadOut]:
    """Withdraw the offer.

    Withdraws the revision on offer. Without one, withdraws the draft, or the agreement if no order
    was made and no work begun; the invoices of its advances are credited.
    """
    withdrawn = offer.withdraw(records, call.stamp, call.checked(QUOTE, records.quotes.get))
    if withdrawn.state is QuoteState.withdrawn:
        language = read_quote(revision_of(records, withdrawn, withdrawn.shown).answer).language
        words = tell_advances(language, written(QUOTE, withdrawn.number))
        withdrawn = credit_undue(records, call.stamp, withdrawn, None, words)
    return _told(call, records, withdrawn)


@operation(
    "POST /v1/quotes/{id}/early-start",
    "startQuoteEarly",
    "quotes",
    "act-refused",
    is_guarded=True,
)
def early_start(records: Records, call: Call, body: EarlyStartIn) -> Reply[QuoteHeadOut]:
    """Record the wish of an early start.

    For a consumer whose yes by a link made a contract from afar and did not say so: the work need
    no longer wait until the customer can't withdraw (`start`). The right to withdraw stays until
    the work is done; then a part of the price is owed for what was done. Idempotent: said again, it
    has no further effect.
    """
    quote = call.checked(QUOTE, records.quotes.get)
    wished = distance.wish_early_start(
        records,
        call.stamp,
        quote,
        who=body.who,
        means=Means(body.means),
        text=body.text or words_of_wish(records, quote),
    )
    return _told(call, records, wished)


@_act("withdrawal")
def withdrawal(records: Records, call: Call, body: WithdrawalIn) -> Reply[QuoteHeadOut]:
    """Record that the customer withdrew.

    For a consumer whose yes by a link made a contract from afar, as long as the period lasts: what
    counts is the day on which the customer said so. Before the work has begun, nothing is agreed
    any longer; once it has, it can only be stopped (`stop`), which bills what was done until then.
    The receipt goes to the customer's e-mail address, if one is known.
    """
    quote = call.checked(QUOTE, records.quotes.get)
    desk, said_at = call.desk, body.at
    day = None if said_at is None else desk.today(said_at)
    if said_at is not None and said_at > call.stamp.at:
        raise RequestRefused([NotYetSaid().at("at")])
    left = withdrawing.withdraw(
        desk, records, call.stamp, quote, who=body.who, means=Means(body.means), day=day
    )
    return _told(call, records, left)


@_act("start", may_be_empty=True)
def start(records: Records, call: Call, body: StartIn) -> Reply[QuoteHeadOut]:
    """Start the work.

    Needs an agreed revision none of whose parts is unavailable. All parts orders must have been
    made, unless `tear_down_first`: then the work starts without them, if its first step needs no
    part that is not here. The steps that have to wait for parts are in the quote's clock
    (`waiting`). The work can't be finished before the orders are made. The body may be left out.
    """
    desk, stamp = call.desk, call.stamp
    quote = call.checked(QUOTE, records.quotes.get)
    missing = unordered(desk, records, quote, stamp.at)
    is_torn_down = False
    if body.tear_down_first and missing:
        check_act("tear_down", quote)
        agreed = read_quote(life.revision_of(records, quote, quote.agreed or 0).answer)
        is_torn_down = can_begin(records, quote, agreed)
        if not is_torn_down:
            raise NotNow("tear_down", quote, "its first step needs a part that is not here yet")
    started = life.start(records, stamp, quote, missing, can_begin=is_torn_down)
    return _told(call, records, started)
