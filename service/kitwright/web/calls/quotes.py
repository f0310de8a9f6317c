"""Quotes: calls that keep, read, find, revise and copy quotes, and compare them with today."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Annotated, Any, Final, NamedTuple

import msgspec
from msgspec import Meta, field, structs

from kitwright.keeping import life
from kitwright.keeping.acts import ACTS, possible_acts
from kitwright.keeping.claims import may_claim
from kitwright.keeping.distance import may_withdraw, waits_until
from kitwright.keeping.invoicing import standing_of
from kitwright.keeping.record import Addition, KeptQuote, QuoteState, Revision, RevisionState
from kitwright.keeping.set_off import may_set_off
from kitwright.keeping.stopping import owes_fee
from kitwright.keeping.store import QuoteFilter, Records
from kitwright.keeping.tickets import check_charged_once
from kitwright.keeping.waiting import waits_since
from kitwright.quote import Quote, encode_quote
from kitwright.web.calls.call import Call, answer, tag
from kitwright.web.calls.carrying import carried_over
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.difference import DifferenceOut, difference
from kitwright.web.calls.handlers import Work, operation
from kitwright.web.calls.ids import (
    CUSTOMER,
    MACHINE,
    QUOTE,
    CustomerId,
    MachineId,
    read_id_or_none,
    written_or_none,
)
from kitwright.web.calls.order_making import UNSUPPLIED, supplying_of
from kitwright.web.calls.paged import Searched, page_of
from kitwright.web.calls.reckoning import QuoteIn, asked_of, known, of_today, reckon
from kitwright.web.calls.service import Service
from kitwright.web.calls.shown import EventOut, ListOut, extended, traced
from kitwright.web.calls.standing import standing
from kitwright.web.calls.unprintable import Unprintable, unprintable_in
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import PageCursor, PageLimit, Wire

_REVISION = {"revision": "Which revision, by its number."}
_OTHERWISE: Final = {
    "add": "/v1/quotes/{id}/additions",
    "claim": "/v1/quotes/{id}/claims",
    "collect": "/v1/quotes/{id}/collected",
    "early_start": "/v1/quotes/{id}/early-start",
    "notice": "/v1/quotes/{id}/notices",
    "order": "/v1/orders",
    "pay": "/v1/quotes/{id}/payments",
    "tear_down": "/v1/quotes/{id}/start",
}
"""Acts whose calls have another path than their name says."""
_ACTS: Final = "\n".join(
    (
        "What the quote's state leaves room for, and by which call:",
        "",
        "| act | call |",
        "| --- | --- |",
        *(
            f"| `{act}` | `POST {_OTHERWISE.get(act, f'/v1/quotes/{{id}}/{act}')}` |"
            for act in sorted(ACTS)
        ),
    )
)


class RevisionOut(Revision, frozen=True, kw_only=True):
    """A revision as it was answered, to the last figure."""

    asked: QuoteIn
    quoted: Quote


class QuoteHeadOut(KeptQuote, frozen=True, kw_only=True):
    """A kept quote without its figures in full.

    `revision` is its newest, `offered` the one that the customer may accept now, `agreed` the one
    whose authorisation is in force. `shown` is the one that counts: what was agreed, else what is
    offered or was offered last, else the draft. What stands here besides is that one's; of the
    agreed one, the totals hold what was added to it as well. `offer` is a newer revision on offer
    beside the agreed one, with its own totals: it counts once it is agreed to. `draft` is a newer
    revision that is not issued yet: it counts once it is agreed to, or, if none is agreed, once it
    is issued. Each is null if there is none.
    """

    offer: Revision | None
    draft: Revision | None
    acts: Annotated[tuple[str, ...], Meta(description=_ACTS)]


class KeptQuoteOut(QuoteHeadOut, frozen=True, kw_only=True):
    """A kept quote with the revision that is `shown`: what was asked, and the whole quote, with
    what was added to it since it was agreed to as lines at the end (reason `added-since`). If a
    newer draft was begun, `draft` has it in the same way.
    """

    draft: RevisionOut | None
    request: QuoteIn
    quote: Quote
    unprintable: Unprintable


_STATES: Final = "|".join(QuoteState)


class QuotesQuery(Wire, frozen=True, kw_only=True):
    """Which quotes: all that meet every parameter, newest first.

    The words of `q` each begin a word of the customer's name, the machine's name or a serial
    number. `from` and `to` are the first and last day on which quotes were made.
    """

    state: Annotated[
        str,
        Meta(
            max_length=200,
            description="States, with commas between.",
            # told, not checked: the refusal of another state names those that there are
            extra_json_schema={"pattern": f"^(({_STATES})(,({_STATES}))*)?$"},
        ),
    ] = ""
    customer: Annotated[CustomerId | None, Meta(description="Whose, by id.")] = None
    machine: Annotated[MachineId | None, Meta(description="Of which machine, by id.")] = None
    from_: Annotated[date | None, Meta(description="Made on that day or later.")] = field(
        default=None, name="from"
    )
    to: Annotated[date | None, Meta(description="Made on that day or before.")] = None
    q: Searched = ""
    limit: PageLimit = 50
    cursor: PageCursor = ""


def changed_since(desk: Desk, quote: KeptQuote) -> Refusal:
    """Return the refusal of a call on something that was changed since it was read."""
    return Refusal(
        "record-changed",
        "the record was changed since it was read",
        headers={"ETag": tag(quote, desk.gate.epoch)},
    )


def head_of(
    desk: Desk, records: Records, quote: KeptQuote, *, is_read: bool = False
) -> QuoteHeadOut:
    """Return a quote with the acts that would not be refused now; `is_read` if nothing is being
    written.
    """
    # without its bodies, which are large
    every = records.revisions.of_quote(quote.number)
    newest = every[quote.latest - 1]
    is_beside = quote.offered is not None and quote.offered != quote.shown
    offer = every[quote.offered - 1] if quote.offered and is_beside else None
    is_newer_draft = newest.state is RevisionState.draft and newest.number != quote.shown

    may_order = quote.agreed is not None and quote.state in ACTS["order"]
    if not may_order:
        supplying = UNSUPPLIED
    elif is_read:
        # what was read is committed, and orders that are made change the version
        had = tuple(
            (one.holding.number, one.reserved + one.drawn)
            for one in records.shelf.shares(quote.number)
        )
        question = quote.number, quote.version, had, desk.service.revision
        supplying = desk.supplied.get(question, lambda: supplying_of(desk, records, quote))
    else:
        supplying = supplying_of(desk, records, quote)
    acts = possible_acts(
        quote,
        newest,
        desk.today(),
        **supplying._asdict(),
        owes_fee=_owes_fee(records, quote),
        account=standing_of(records, quote),
        waits=waits_until(records, quote, desk.today()) is not None,
        may_withdraw=may_withdraw(records, quote, desk.today()),
        comes_back=records.come_backs.get(quote.number) is not None,
        may_claim=may_claim(records, quote),
        is_waiting=waits_since(records, quote) is not None,
        may_issue=newest.state is not RevisionState.draft
        or may_set_off(records, quote, newest.number),
        may_accept=quote.offered is None or may_set_off(records, quote, quote.offered),
    )
    draft = newest if is_newer_draft else None
    return extended(QuoteHeadOut, quote, offer=offer, draft=draft, acts=acts)


def _owes_fee(records: Records, quote: KeptQuote) -> bool:
    """Return whether a quote that nobody agreed to owes its diagnostic fee."""
    if quote.agreed is not None or quote.state not in ACTS["stop"]:
        return False
    return owes_fee(life.revision_of(records, quote, quote.shown))


def whole_of(
    desk: Desk, records: Records, quote: KeptQuote, revision: Revision, *, is_read: bool = False
) -> KeptQuoteOut:
    """Return a quote with the figures of the revision that it shows, good for encoding only."""
    head = structs.asdict(head_of(desk, records, quote, is_read=is_read))
    unprintable = unprintable_in(desk.papers, revision.request)
    if head["draft"] is not None:
        draft = life.revision_of(records, quote, quote.latest)
        head["draft"] = revision_out(draft)
        unprintable += unprintable_in(desk.papers, draft.request, "draft")
    return KeptQuoteOut(
        **head,
        request=_raw(revision.request),
        quote=_raw(revision.answer),
        unprintable=unprintable,
    )


def _shown(records: Records, quote: KeptQuote) -> Revision:
    """Return the revision that a quote shows, its answer with what was added to it."""
    revision = life.revision_of(records, quote, quote.shown)
    return structs.replace(revision, answer=encode_quote(standing(records, quote, revision)))


def revision_out(revision: Revision) -> RevisionOut:
    """Return a revision with its figures, good for encoding only."""
    bodies = {"asked": _raw(revision.request), "quoted": _raw(revision.answer)}
    return extended(RevisionOut, revision, **bodies)


def _raw(body: bytes) -> Any:
    # the encoder copies a Raw in any place; the types say what it holds
    return msgspec.Raw(body)


def _revision_in_path(records: Records, call: Call) -> Revision:
    """Return the revision that a call's path names. Raises: Refusal: unknown-record."""
    quote = call.record(QUOTE, records.quotes.get)
    text = call.variable("revision")
    is_number = text.isascii() and text.isdigit() and len(text) < 10
    found = records.revisions.get(quote.number, int(text)) if is_number else None
    if found is None:
        raise Refusal(
            "unknown-record",
            f"no revision {text[:64]!r}: the newest of this quote is {quote.latest}",
        )
    return found


@operation("GET /v1/quotes", "listQuotes", "quotes")
def find(records: Records, call: Call, query: QuotesQuery) -> Reply[ListOut[QuoteHeadOut]]:
    """Find kept quotes by state, customer, machine, day and words, newest first."""
    wanted = QuoteFilter(
        states=_states(query.state),
        customer=read_id_or_none(CUSTOMER, query.customer),
        machine=read_id_or_none(MACHINE, query.machine),
        made_from=query.from_,
        made_to=query.to,
        words=tuple(query.q.split()),
    )

    def heads(before: int | None, most: int) -> list[QuoteHeadOut]:
        found = records.quotes.find(structs.replace(wanted, before=before, most=most))
        return [head_of(call.desk, records, one, is_read=True) for one in found]

    return page_of(call.operation.path, query, heads)


def _states(text: str) -> tuple[QuoteState, ...]:
    try:
        return tuple(QuoteState(one) for one in text.split(",")) if text else ()
    except ValueError:
        known = ", ".join(QuoteState)
        raise Refusal("query-invalid", f"state: should be some of {known}") from None


@operation("GET /v1/quotes/{id}", "getQuote", "quotes")
def get(records: Records, call: Call) -> Reply[KeptQuoteOut]:
    """One kept quote.

    A quote with the revision that counts, to the last figure: what was agreed, with what was added
    since; else what is offered, or was offered last; else the draft. A draft that is begun later is
    in `draft` until it is issued. A revision on offer beside the agreed one is in `offer` until it
    is agreed to.
    """
    quote = call.record(QUOTE, records.quotes.get)
    return answer(
        call.desk, whole_of(call.desk, records, quote, _shown(records, quote), is_read=True)
    )


@operation("GET /v1/quotes/{id}/revisions", "listRevisions", "quotes")
def revisions(records: Records, call: Call) -> Reply[ListOut[Revision]]:
    """List what became of each revision of a quote, oldest first."""
    quote = call.record(QUOTE, records.quotes.get)
    return Reply(body=ListOut(items=records.revisions.of_quote(quote.number)))


@operation("GET /v1/quotes/{id}/revisions/{revision}", "getRevision", "quotes", variables=_REVISION)
def revision(records: Records, call: Call) -> Reply[RevisionOut]:
    """One revision of a quote.

    A revision as it was answered. Once issued it never changes, but that personal data is taken
    out when a customer is erased.
    """
    return Reply(body=revision_out(_revision_in_path(records, call)))


@operation(
    "GET /v1/quotes/{id}/revisions/{revision}/difference",
    "compareRevision",
    "quotes",
    "request-refused",
    "catalogue-gap",
    "too-busy",
    keeps="reads",
    variables=_REVISION,
)
async def compare(call: Call) -> Reply[DifferenceOut]:
    """What a revision would come to today.

    Quotes what was asked once more, by today's catalogue, and names every line and total that
    differs. The revision stays as it is.
    """
    desk = call.desk
    revision = desk.store.read(lambda records: _revision_in_path(records, call))
    asked, today = of_today(desk, revision), desk.today()
    # what was needed by a day that has passed is needed now
    needed_by = None if asked.needed_by is None else max(asked.needed_by, today)
    asked = structs.replace(asked, needed_by=needed_by, contingencies=False)
    stock, estimates = desk.stock(revision.quote), desk.estimates_on()
    if asked.looks_ahead:
        now = await desk.beside(Service.quote, asked, stock, estimates)
    else:
        now = desk.service.quote(asked, stock, estimates)
    return Reply(body=difference(revision, now))


@operation("GET /v1/quotes/{id}/history", "listHistory", "quotes")
def history(records: Records, call: Call) -> Reply[ListOut[EventOut]]:
    """List every change of a quote, oldest first: when, by whose hand, to which state."""
    quote = call.record(QUOTE, records.quotes.get)
    found = records.events.of_subject(f"quote:{quote.number}")
    return Reply(body=ListOut(items=traced(records, found)))


class Before(NamedTuple):
    """A quote to be revised, its newest revision, the additions that its agreement includes, and
    all its additions.
    """

    quote: KeptQuote
    newest: Revision
    agreed: tuple[Addition, ...]
    every: tuple[Addition, ...]


@operation(
    "POST /v1/quotes/{id}/revise",
    "reviseQuote",
    "quotes",
    "act-refused",
    "request-refused",
    "catalogue-gap",
    "too-busy",
    is_guarded=True,
)
async def revise(call: Call, body: QuoteIn) -> Work[KeptQuoteOut]:
    """Quote it anew.

    Takes the whole request once more; customer and machine stay where they are left out. Work that
    was added to the agreed revision is carried over: each addition becomes an added line (its
    `carried` names it) at its recorded price and counts in the new total, unless
    `leave_out_additions` names it with a reason. Replaces
    the newest revision while that is a draft; else makes a new one. What was offered or agreed
    stays so until the new one is issued or accepted: then the answer, like every read of the quote,
    goes on showing it, and has the new revision in `draft`.
    """

    def asked_anew(before: Before) -> QuoteIn:
        # whom, which machine and which visit a quote is of stays so where nothing is said of it
        asked, newest = asked_of(before.newest), before.newest
        return structs.replace(
            body,
            customer=body.customer or written_or_none(CUSTOMER, newest.customer),
            machine=body.machine or written_or_none(MACHINE, newest.machine),
            ticket=body.ticket or asked.ticket,
            comes_back=body.comes_back or asked.comes_back,
        )

    return await revised(call, asked_anew)


async def revised(
    call: Call,
    ask: Callable[[Before], QuoteIn],
    note: Callable[[Records, KeptQuote], KeptQuote] = lambda _, quote: quote,
) -> Work[KeptQuoteOut]:
    """Return the work that quotes a quote anew.

    Args:
        ask: returns the new request, without the additions that are carried over.
        note: records what else is to be, once the revision is kept.
    """
    desk = call.desk

    def found(records: Records) -> Before:
        quote = call.record(QUOTE, records.quotes.get)
        return Before(
            quote,
            life.revision_of(records, quote, quote.latest),
            life.agreed_additions(records, quote),
            records.additions.of_quote(quote.number),
        )

    all_before = desk.store.read(found)
    before, _, agreed, every = all_before
    asked = carried_over(ask(all_before), agreed, every, call.stamp.by)
    figures = await reckon(desk, asked, before.number)

    def work(records: Records) -> Reply[KeptQuoteOut]:
        quote = call.checked(QUOTE, records.quotes.get)
        if quote != before:
            # the customer and the machine may be others than those computed with
            raise changed_since(desk, quote)
        known(records, figures.customer, figures.machine)
        quote = life.revise(records, call.stamp, quote, figures)
        check_charged_once(records, quote)
        quote = note(records, quote)
        shown = figures if quote.shown == quote.latest else _shown(records, quote)
        return answer(desk, whole_of(desk, records, quote, shown))

    return work
