"""Acts: a quote is issued, decided on, withdrawn, started and finished."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterator
from functools import partial
from typing import Final

import msgspec
from litestar.handlers import HTTPRouteHandler

from kitwright.errors import KitwrightError
from kitwright.keeping import consent, life, offer
from kitwright.keeping.acts import NotQuotable
from kitwright.keeping.consent import Yes
from kitwright.keeping.key import Scope
from kitwright.keeping.prices import PriceMoved, moved_prices
from kitwright.keeping.record import KeptQuote, Means, Revision, Stamp
from kitwright.keeping.store import Records
from kitwright.quote import for_customer, read_quote
from kitwright.stages.request import RequestRefused
from kitwright.web.calls.additions import read_amount
from kitwright.web.calls.consent_text import consent_text
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.handlers import Call, Reply, Work, acting
from kitwright.web.calls.operations import BODY_PROBLEMS, Operation
from kitwright.web.calls.placing import unordered
from kitwright.web.calls.quote_wire import (
    AcceptIn,
    DeclineIn,
    IssueIn,
    QuoteHeadOut,
)
from kitwright.web.calls.quotes import (
    asked_of,
    changed_since,
    checked,
    head_reply,
    of_today,
)
from kitwright.web.calls.refusals import GUARD_PROBLEMS, ONCE_PROBLEMS
from kitwright.web.edge.problems import GAPS

_ID: Final = {"id": "Which quote, by its id."}
_NO_BODY: Final = ("body-invalid", "not-acceptable", "body-too-large")


def _act(
    name: str, *, summary: str, description: str, takes: type[msgspec.Struct] | None = None
) -> Operation:
    return Operation(
        method="post",
        path=f"/v1/quotes/{{id}}/{name}",
        id=f"{name}Quote",
        tag="quotes",
        summary=summary,
        description=description,
        takes=takes,
        answers=QuoteHeadOut,
        problems=(
            *(_NO_BODY if takes is None else BODY_PROBLEMS),
            *ONCE_PROBLEMS,
            *GUARD_PROBLEMS,
            "unknown-record",
            "act-refused",
            *(() if takes is None else ("request-refused",)),
        ),
        variables=_ID,
        scope=Scope.QUOTE,
        is_once=True,
        is_guarded=True,
        is_tagged=True,
    )


ISSUE: Final = msgspec.structs.replace(
    _act(
        "issue",
        takes=IssueIn,
        summary="Offer the newest revision",
        description=(
            "Makes the draft the revision on offer, which never changes again; the one before is "
            "superseded. A quote without a tax area can't be issued. Neither can one whose prices "
            "would be others today, by the catalogue or by the rates of the day (of the quote's "
            "own day, where that is still to come): `errors` says what has moved, line by line. "
            "Revise it then, or say in `keep_prices` why its prices are kept. The body may be "
            "left out."
        ),
    ),
    problems=(
        *BODY_PROBLEMS,
        *ONCE_PROBLEMS,
        *GUARD_PROBLEMS,
        "unknown-record",
        "act-refused",
        "prices-moved",
    ),
    may_be_empty=True,
)
ACCEPT: Final = _act(
    "accept",
    takes=AcceptIn,
    summary="Take down the customer's yes",
    description=(
        "Binds the authorisation to exactly the revision on offer, its amount and a limit. "
        "Accepting the revision in force again changes nothing."
    ),
)
DECLINE: Final = _act(
    "decline",
    takes=DeclineIn,
    summary="Take down the customer's no",
    description="Ends the offer of a revision. What was agreed before stays in force.",
)
WITHDRAW: Final = _act(
    "withdraw",
    summary="Take the offer back",
    description=(
        "Withdraws the revision on offer; without one, the draft or the agreement that no order "
        "or work has followed yet."
    ),
)
START: Final = _act(
    "start",
    summary="Start the work",
    description="Needs an agreed revision all of whose parts orders are made.",
)
FINISH: Final = _act(
    "finish",
    summary="Finish the work",
    description=(
        "Ends the quote's life. A revision on offer has to be accepted, declined or withdrawn "
        "first. A draft newer than the agreed revision is superseded; `quote.finished` names it in "
        "its fact `superseded`."
    ),
)
OPERATIONS: Final = (
    ISSUE,
    ACCEPT,
    DECLINE,
    WITHDRAW,
    START,
    FINISH,
)


def make_handlers(desk: Desk) -> Iterator[HTTPRouteHandler]:
    """Yield the handlers of this module's operations."""
    yield acting(desk, ISSUE, _issue)
    for operation, act in (
        (WITHDRAW, offer.withdraw),
        (START, partial(_start, desk)),
        (FINISH, life.finish),
    ):
        yield acting(desk, operation, _simply(act))
    yield acting(desk, ACCEPT, _accept)
    yield acting(desk, DECLINE, _decline)


CANNOT_ANSWER: Final[tuple[type[KitwrightError], ...]] = (RequestRefused, *GAPS)
"""Errors that say that a request can't be answered, or not any more."""


_Act = Callable[[Records, Stamp, KeptQuote], KeptQuote]


def _simply(act: _Act) -> Callable[[Call], Awaitable[Work]]:
    async def prepare(call: Call) -> Work:
        stamp = call.stamp
        return lambda records: head_reply(
            call.desk, records, act(records, stamp, checked(records, call))
        )

    return prepare


async def _issue(call: Call) -> Work:
    desk, stamp, asked = call.desk, call.stamp, call.body(IssueIn)

    def draft_of(records: Records) -> Revision:
        return offer.draft_to_issue(records, checked(records, call), stamp)

    draft = desk.store.read(draft_of)
    moved = _moved(desk, draft, is_kept=asked.keep_prices is not None)

    def work(records: Records) -> Reply:
        quote = checked(records, call)
        if draft_of(records) != draft:
            # what was compared is not what would be issued
            raise changed_since(quote)
        issued = offer.issue(
            records, stamp, quote, for_customer, moved=moved, keep_prices=asked.keep_prices
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


def _start(desk: Desk, records: Records, stamp: Stamp, quote: KeptQuote) -> KeptQuote:
    return life.start(records, stamp, quote, unordered(desk, records, quote, stamp.at))


async def _accept(call: Call) -> Work:
    desk, stamp, asked = call.desk, call.stamp, call.body(AcceptIn)
    preset = desk.overrun
    amount = read_amount(asked.amount, desk.currency, "amount")
    limit = read_amount(asked.limit, desk.currency, "limit")

    def work(records: Records) -> Reply:
        quote = checked(records, call)
        yes = Yes(
            who=asked.who,
            means=Means(asked.means),
            contact=asked.contact,
            at=asked.at,
            includes_tax=asked.includes_tax,
            amount=amount,
            limit=limit,
            text=asked.text or consent_text(records, quote, asked.revision),
        )
        agreed = consent.accept(records, stamp, quote, asked.revision, yes=yes, preset=preset)
        return head_reply(desk, records, agreed)

    return work


async def _decline(call: Call) -> Work:
    asked, stamp = call.body(DeclineIn), call.stamp

    def work(records: Records) -> Reply:
        quote = checked(records, call)
        declined = offer.decline(records, stamp, quote, asked.revision, asked.reason)
        return head_reply(call.desk, records, declined)

    return work
