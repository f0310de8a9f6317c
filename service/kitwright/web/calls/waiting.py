"""Waiting: calls on machines that nobody collected: notices to their customers, and the letter."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from datetime import date
from typing import Final, Literal

from kitwright.documents.collection_letter import CollectionLetter
from kitwright.documents.waiting_words import waiting_told
from kitwright.keeping.acts import NotNow
from kitwright.keeping.aftercare import Notice, NoticeWay
from kitwright.keeping.record import KeptQuote, QuoteState
from kitwright.keeping.store import QuoteFilter, Records
from kitwright.keeping.waiting import StorageDue, Waiting, add_notice, waiting_of
from kitwright.language.scribe import Scribe
from kitwright.quote import Amount, Count, Paper, amount_of
from kitwright.web.calls.call import Call, answer
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.ids import (
    CUSTOMER,
    MACHINE,
    QUOTE,
    CustomerId,
    MachineId,
    QuoteId,
    written,
    written_or_none,
)
from kitwright.web.calls.papers import printed
from kitwright.web.calls.quotes import QuoteHeadOut, head_of
from kitwright.web.calls.shown import ListOut, Out
from kitwright.web.calls.standing import paper_of
from kitwright.web.edge.negotiate import PDF
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Text, Wire

_AT_ONCE: Final = 50
"""How many quotes are read before other calls are let in."""
_STATES: Final = (QuoteState.done, QuoteState.declined, QuoteState.expired)


class NoticeIn(Wire, frozen=True, kw_only=True):
    """How a customer was told to collect the machine: by e-mail, by letter, or by word of mouth."""

    way: Literal["mail", "letter", "told"]
    by: Text


class StorageOut(Out, frozen=True, kw_only=True):
    """Storage by the terms of the agreed ticket: `per_day` after `free_until`, which is null until
    the customer was told. `fee` is that of `days` until today, at most `most` (null: nothing
    limits it). It is billed as the machine is collected. All are without tax, or with it, as the
    shop's prices are.
    """

    per_day: Amount
    most: Amount | None
    free_until: date | None
    days: Count
    fee: Amount


class UncollectedOut(Out, frozen=True, kw_only=True):
    """A machine that waits `since` a day to be collected: its work is done or, with `declined`, the
    customer said no. `next_on` is the day of the next notice by the shop's file, null if all were
    given; with `due`, it has come. `storage` is null where no agreed terms say so. What may happen
    to a machine that nobody collects, local law decides.
    """

    quote: QuoteId
    customer: CustomerId | None
    machine: MachineId | None
    since: date
    days: Count
    declined: bool
    notices: tuple[Notice, ...]
    next_on: date | None
    due: bool
    storage: StorageOut | None


@operation(
    "POST /v1/quotes/{id}/notices",
    "noticeCustomer",
    "quotes",
    "act-refused",
    is_guarded=True,
)
def notice(records: Records, call: Call, body: NoticeIn) -> Reply[QuoteHeadOut]:
    """Record that the customer was told to collect the machine.

    The machine waits once its work is done, or, if it was taken in with a ticket, once the customer
    said no. The notice has the day and the way. It sends nothing: the letter is a document of the
    quote, and the customer's page says the same.
    """
    quote = call.checked(QUOTE, records.quotes.get)
    told, _ = add_notice(records, call.stamp, quote, NoticeWay(body.way), body.by)
    return answer(call.desk, head_of(call.desk, records, told))


@operation("GET /v1/quotes/{id}/notices", "listNotices", "quotes")
def notices(records: Records, call: Call) -> Reply[ListOut[Notice]]:
    """List the notices to collect the machine of a quote, oldest first."""
    quote = call.record(QUOTE, records.quotes.get)
    return Reply(body=ListOut(items=records.notices.of_quote(quote.number)))


@operation("GET /v1/reports/waiting", "listWaiting", "reports", keeps="reads")
async def waiting(call: Call) -> Reply[ListOut[UncollectedOut]]:
    """List the machines that wait to be collected.

    Those whose next notice is due first; then by the day since when they wait. Days and number of
    notices are in the shop's file.
    """
    desk, today = call.desk, call.stamp.today
    found: list[UncollectedOut] = []
    before: int | None = None

    def some(records: Records) -> int | None:
        quotes = records.quotes.find(QuoteFilter(states=_STATES, before=before, most=_AT_ONCE))
        found.extend(_waiting(call, records, quotes, today))
        return quotes[-1].number if quotes else None

    while True:
        before = desk.store.read(some)
        if before is None:
            break
        await asyncio.sleep(0)
    found.sort(key=lambda one: (not one.due, one.since, one.quote))
    return Reply(body=ListOut(items=tuple(found)))


def _waiting(
    call: Call, records: Records, quotes: tuple[KeptQuote, ...], today: date
) -> Iterator[UncollectedOut]:
    shop = call.desk.service.workshop.shop
    for quote in quotes:
        one = waiting_of(records, shop, quote, today)
        if one is not None:
            yield _out(quote, one, today)


def to_collect(desk: Desk, records: Records, quote: KeptQuote, paper: Paper) -> str | None:
    """Return that the machine of a quote waits to be collected, in the language of the revision on
    paper; None if it does not, or if another revision counts.
    """
    if paper.envelope.revision != (quote.agreed or quote.shown):
        return None
    waiting = waiting_of(records, desk.service.workshop.shop, quote, desk.today())
    if waiting is None:
        return None
    shop, scribe = paper.quote.shop, Scribe(paper.quote.language)
    return " ".join(waiting_told(waiting, scribe, includes_tax=shop.prices_include_tax))


def _out(quote: KeptQuote, one: Waiting, today: date) -> UncollectedOut:
    return UncollectedOut(
        quote=written(QUOTE, quote.number),
        customer=written_or_none(CUSTOMER, quote.customer),
        machine=written_or_none(MACHINE, quote.machine),
        since=one.since,
        days=max(0, (today - one.since).days),
        declined=one.is_declined,
        notices=one.notices,
        next_on=one.next_on,
        due=one.next_on is not None and one.next_on <= today,
        storage=None if one.storage is None else storage_out(one.storage),
    )


def storage_out(storage: StorageDue) -> StorageOut:
    """Return storage as answers have it."""
    return StorageOut(
        per_day=amount_of(storage.per_day),
        most=None if storage.most is None else amount_of(storage.most),
        free_until=storage.free_until,
        days=storage.days,
        fee=amount_of(storage.fee),
    )


@operation(
    "GET /v1/quotes/{id}/collection-letter",
    "getCollectionLetter",
    "papers",
    "too-busy",
    "act-refused",
    forms=(PDF,),
    keeps="reads",
    is_tagged=True,
)
async def letter(call: Call, form: str) -> Reply[bytes]:
    """Get the letter that asks the customer to collect the machine, as a PDF.

    Before the first notice, it names the day until which storage is free if the customer is told
    today.
    """
    desk = call.desk

    def find(records: Records) -> CollectionLetter:
        quote = call.record(QUOTE, records.quotes.get)
        shop = desk.service.workshop.shop
        found = waiting_of(records, shop, quote, call.stamp.today, is_telling=True)
        if found is None:
            raise NotNow("notice", quote, "no machine of this quote is known to wait")
        paper = paper_of(records, quote, quote.agreed or quote.shown)
        return CollectionLetter(paper=paper, waiting=found, at=call.stamp.at)

    made = desk.store.read(find)
    name = f"{made.paper.envelope.quote_id}-collect"
    return await printed(call, desk.papers.collection_letter, made, form=form, name=name)
