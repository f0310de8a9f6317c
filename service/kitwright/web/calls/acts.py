"""Acts: calls that issue, decide, withdraw, start and finish a quote."""

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
from kitwright.web.calls.quotes import changed_since, checked, head_reply, of_today
from kitwright.web.edge.problems import GAPS
from kitwright.web.edge.reply import Reply

CANNOT_ANSWER: Final[tuple[type[KitwrightError], ...]] = (RequestRefused, *GAPS)
"""Errors that say that a request can't, or can no longer, be answered."""


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

    Puts the draft on offer; from then on it never changes. The revision on offer before is
    superseded. A quote without a tax area can't be issued. Nor can a quote whose prices are
    different today, by the catalogue, by the day's rates or by what is free on the shelf; if the
    quote's own day is in the future, that day's rates count. `errors` then lists each price that
    changed. Revise the quote, or give the reason for keeping its prices in `keep_prices`. The body
    may be left out.
    """
    desk, stamp = call.desk, call.stamp

    def draft_of(records: Records) -> Revision:
        return offer.draft_to_issue(records, checked(records, call), stamp)

    draft = desk.store.read(draft_of)
    moved = _moved(desk, draft, is_kept=body.keep_prices is not None)

    def work(records: Records) -> Reply[QuoteHeadOut]:
        quote = checked(records, call)
        if draft_of(records) != draft:
            # the revision compared is not the one that would be issued
            raise changed_since(quote)
        issued = offer.issue(
            records, stamp, quote, for_customer, moved=moved, keep_prices=body.keep_prices
        )
        return head_reply(desk, records, issued)

    return work


def _moved(desk: Desk, draft: Revision, *, is_kept: bool) -> tuple[PriceMoved, ...] | None:
    """Return the prices of a draft that would be different today. If its prices are kept and the
    request can no longer be answered, return None.

    Raises: NotQuotable.
    """
    asked = of_today(desk, draft)
    try:
        now = desk.service.quote(asked, desk.stock(draft.quote))
    except CANNOT_ANSWER as error:
        if is_kept:
            return None
        raise NotQuotable(draft.number, error) from None
    return moved_prices(read_quote(draft.answer), now)


@_act("accept", "request-refused")
def accept(records: Records, call: Call, body: AcceptIn) -> Reply[QuoteHeadOut]:
    """Record the customer's acceptance.

    Binds the authorisation to the revision on offer, its amount and a limit. Accepting the revision
    in force again has no effect if every term given is the one recorded; otherwise it is refused,
    and `errors` says what is already agreed.
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
    """Record the customer's refusal.

    Ends the offer of a revision. An earlier agreement stays in force.
    """
    quote = checked(records, call)
    declined = offer.decline(records, call.stamp, quote, body.revision, body.reason)
    return head_reply(call.desk, records, declined)


@_act("withdraw")
def withdraw(records: Records, call: Call) -> Reply[QuoteHeadOut]:
    """Withdraw the offer.

    Withdraws the revision on offer. Without one, withdraws the draft, or the agreement if no order
    was made and no work begun.
    """
    withdrawn = offer.withdraw(records, call.stamp, checked(records, call))
    return head_reply(call.desk, records, withdrawn)


@_act("start")
def start(records: Records, call: Call) -> Reply[QuoteHeadOut]:
    """Start the work.

    Needs an agreed revision for which all parts orders have been made.
    """
    quote, stamp = checked(records, call), call.stamp
    missing = unordered(call.desk, records, quote, stamp.at)
    return head_reply(call.desk, records, life.start(records, stamp, quote, missing))


@_act("finish")
def finish(records: Records, call: Call) -> Reply[QuoteHeadOut]:
    """Finish the work.

    Closes the quote. A revision on offer must first be accepted, declined or withdrawn. A draft
    newer than the agreed revision is superseded; `quote.finished` names it in its fact
    `superseded`.
    """
    finished = life.finish(records, call.stamp, checked(records, call))
    return head_reply(call.desk, records, finished)
