"""Acts: a quote is issued, decided on, withdrawn, started and finished."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from litestar.handlers import HTTPRouteHandler

from kitwright.errors import KitwrightError
from kitwright.keeping import consent, life, offer
from kitwright.keeping.acts import NotQuotable
from kitwright.keeping.consent import Yes
from kitwright.keeping.key import Scope
from kitwright.keeping.prices import PriceMoved, moved_prices
from kitwright.keeping.record import Means, Revision
from kitwright.keeping.store import Records
from kitwright.quote import for_customer, read_quote
from kitwright.stages.request import RequestRefused
from kitwright.web.calls.additions import read_amount
from kitwright.web.calls.call import Call, Work
from kitwright.web.calls.consent_text import consent_text
from kitwright.web.calls.consent_wire import AcceptIn, DeclineIn, IssueIn
from kitwright.web.calls.declared import operation
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.placing import unordered
from kitwright.web.calls.quote_wire import QuoteHeadOut
from kitwright.web.calls.quotes import asked_of, changed_since, checked, head_reply, of_today
from kitwright.web.edge.problems import GAPS
from kitwright.web.edge.reply import Reply

CANNOT_ANSWER: Final[tuple[type[KitwrightError], ...]] = (RequestRefused, *GAPS)
"""Errors that say that a request can't be answered, or not any more."""


def _act(
    name: str, *problems: str, **facts: Any
) -> Callable[[Callable[..., Any]], HTTPRouteHandler]:
    return operation(
        f"POST /v1/quotes/{{id}}/{name}",
        f"{name}Quote",
        "quotes",
        scope=Scope.QUOTE,
        is_once=True,
        is_guarded=True,
        is_tagged=True,
        problems=("act-refused", *problems),
        **facts,
    )


@_act("issue", "prices-moved", may_be_empty=True)
def issue(call: Call, body: IssueIn) -> Work[QuoteHeadOut]:
    """Offer the newest revision.

    Makes the draft the revision on offer, which never changes again; the one before is superseded.
    A quote without a tax area can't be issued. Neither can one whose prices would be others today,
    by the catalogue or by the rates of the day (of the quote's own day, where that is still to
    come): `errors` says what has moved, line by line. Revise it then, or say in `keep_prices` why
    its prices are kept. The body may be left out.
    """
    desk, stamp = call.desk, call.stamp

    def draft_of(records: Records) -> Revision:
        return offer.draft_to_issue(records, checked(records, call), stamp)

    draft = desk.store.read(draft_of)
    moved = _moved(desk, draft, is_kept=body.keep_prices is not None)

    def work(records: Records) -> Reply[QuoteHeadOut]:
        quote = checked(records, call)
        if draft_of(records) != draft:
            # what was compared is not what would be issued
            raise changed_since(quote)
        issued = offer.issue(
            records, stamp, quote, for_customer, moved=moved, keep_prices=body.keep_prices
        )
        return head_reply(desk, records, issued)

    return work


def _moved(desk: Desk, draft: Revision, *, is_kept: bool) -> tuple[PriceMoved, ...] | None:
    """Return which prices of a draft would be others today; where they are kept, None if nobody can
    tell, since the request can't be answered any more.

    Raises: NotQuotable.
    """
    asked = of_today(desk, draft)
    if draft.catalogue_revision == desk.service.revision and asked == asked_of(draft):
        return ()
    try:
        now = desk.service.quote(asked)
    except CANNOT_ANSWER as error:
        if is_kept:
            return None
        raise NotQuotable(draft.number, error) from None
    return moved_prices(read_quote(draft.answer), now)


@_act("accept", "request-refused")
def accept(records: Records, call: Call, body: AcceptIn) -> Reply[QuoteHeadOut]:
    """Take down the customer's yes.

    Binds the authorisation to exactly the revision on offer, its amount and a limit. Accepting the
    revision in force again changes nothing.
    """
    desk = call.desk
    amount = read_amount(body.amount, desk.currency, "amount")
    limit = read_amount(body.limit, desk.currency, "limit")
    quote = checked(records, call)
    yes = Yes(
        who=body.who,
        means=Means(body.means),
        contact=body.contact,
        at=body.at,
        includes_tax=body.includes_tax,
        amount=amount,
        limit=limit,
        text=body.text or consent_text(records, quote, body.revision),
    )
    agreed = consent.accept(records, call.stamp, quote, body.revision, yes=yes, preset=desk.overrun)
    return head_reply(desk, records, agreed)


@_act("decline", "request-refused")
def decline(records: Records, call: Call, body: DeclineIn) -> Reply[QuoteHeadOut]:
    """Take down the customer's no.

    Ends the offer of a revision. What was agreed before stays in force.
    """
    quote = checked(records, call)
    declined = offer.decline(records, call.stamp, quote, body.revision, body.reason)
    return head_reply(call.desk, records, declined)


@_act("withdraw")
def withdraw(records: Records, call: Call) -> Reply[QuoteHeadOut]:
    """Take the offer back.

    Withdraws the revision on offer; without one, the draft or the agreement that no order or work
    has followed yet.
    """
    withdrawn = offer.withdraw(records, call.stamp, checked(records, call))
    return head_reply(call.desk, records, withdrawn)


@_act("start")
def start(records: Records, call: Call) -> Reply[QuoteHeadOut]:
    """Start the work.

    Needs an agreed revision all of whose parts orders are made.
    """
    quote, stamp = checked(records, call), call.stamp
    missing = unordered(call.desk, records, quote, stamp.at)
    return head_reply(call.desk, records, life.start(records, stamp, quote, missing))


@_act("finish")
def finish(records: Records, call: Call) -> Reply[QuoteHeadOut]:
    """Finish the work.

    Ends the quote's life. A revision on offer has to be accepted, declined or withdrawn first. A
    draft newer than the agreed revision is superseded; `quote.finished` names it in its fact
    `superseded`.
    """
    finished = life.finish(records, call.stamp, checked(records, call))
    return head_reply(call.desk, records, finished)
