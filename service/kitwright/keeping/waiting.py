"""Waiting: machines that nobody collected, when their customers were told, and storage."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Final

from msgspec import Struct

from kitwright.catalogue.model import Collection, Shop
from kitwright.keeping.acts import NotNow, check_act
from kitwright.keeping.aftercare import Notice, NoticeWay
from kitwright.keeping.event import keep_change
from kitwright.keeping.record import ENDED, KeptQuote, QuoteState, Stamp
from kitwright.keeping.store import Records
from kitwright.money import Money
from kitwright.quote import read_statement

_SAID_NO: Final = frozenset({QuoteState.declined, QuoteState.expired})


class StorageDue(Struct, frozen=True, kw_only=True):
    """Storage by the terms that the customer agreed to: it is free until a day, None before the
    customer was told; then it is `per_day`, and `fee` until today, at most `most`.
    """

    per_day: Money
    most: Money | None
    free_until: date | None
    days: int
    fee: Money


class Waiting(Struct, frozen=True, kw_only=True):
    """A machine that waits to be collected since a day: its work is done, or the customer said no
    (`is_declined`). `is_repaired` is false as well where the work was stopped. `next_on` is the day
    of the next notice by the shop's data, None if all were given. `storage` is None where no terms
    say so.
    """

    since: date
    is_declined: bool
    is_repaired: bool
    notices: tuple[Notice, ...]
    next_on: date | None
    storage: StorageDue | None


def waits_since(records: Records, quote: KeptQuote) -> date | None:
    """Return since when a quote's machine waits to be collected, None if it does not.

    After a no, only a machine is known to be here that was taken in with a ticket, of which no
    other quote is open or was collected.
    """
    if records.handovers.get(quote.number) is not None:
        return None
    if quote.state is QuoteState.done:
        kept = records.statements.get(quote.number)
        return None if kept is None else kept.day
    if quote.state not in _SAID_NO or quote.ticket is None:
        return None
    for other in records.quotes.of_ticket(quote.ticket):
        is_gone = records.handovers.get(other.number) is not None
        is_newer = other.number > quote.number and other.state in _SAID_NO
        if is_gone or is_newer or other.state not in ENDED:
            return None
    return quote.changed_at.date()


def waiting_of(
    records: Records, shop: Shop, quote: KeptQuote, today: date, *, is_telling: bool = False
) -> Waiting | None:
    """Return how a quote's machine waits to be collected, None if it does not; `is_telling` if this
    tells its customer so today, who may not have been told before.
    """
    since = waits_since(records, quote)
    if since is None:
        return None
    notices = records.notices.of_quote(quote.number)
    return Waiting(
        since=since,
        is_declined=quote.state is not QuoteState.done,
        is_repaired=_is_repaired(records, quote),
        notices=notices,
        next_on=_next_on(shop.collection, since, notices),
        storage=storage_due(records, quote, today, is_telling=is_telling),
    )


def _is_repaired(records: Records, quote: KeptQuote) -> bool:
    kept = records.statements.get(quote.number)
    return kept is not None and read_statement(kept.body).stopped is None


def _next_on(terms: Collection, since: date, notices: tuple[Notice, ...]) -> date | None:
    if len(notices) >= terms.most_notices:
        return None
    if not notices:
        return since + timedelta(days=terms.first_notice_days)
    return max(one.day for one in notices) + timedelta(days=terms.every_days)


def storage_due(
    records: Records, quote: KeptQuote, today: date, *, is_telling: bool = False
) -> StorageDue | None:
    """Return what storage costs by the agreed ticket, None without one, or if that says nothing.

    It is free for some days after the customer was told.
    """
    ticket = None if quote.ticket is None else records.tickets.get(quote.ticket)
    if ticket is None or ticket.storage is None or ticket.agreed_at is None:
        return None
    terms, notices = ticket.storage, records.notices.of_quote(quote.number)
    per_day = terms.per_day.money
    most = None if terms.most is None else terms.most.money
    told = min((one.day for one in notices), default=today if is_telling else None)
    free_until = None if told is None else told + timedelta(days=terms.grace_days)
    days = 0 if free_until is None else max(0, (today - free_until).days)
    fee = Money(per_day.minor * days, per_day.currency)
    return StorageDue(
        per_day=per_day,
        most=most,
        free_until=free_until,
        days=days,
        fee=fee if most is None else min(fee, most),
    )


def add_notice(
    records: Records, stamp: Stamp, quote: KeptQuote, way: NoticeWay, who: str
) -> tuple[KeptQuote, Notice]:
    """Return a quote whose customer was told to collect the machine, and the notice.

    Raises: NotNow.
    """
    check_act("notice", quote)
    if waits_since(records, quote) is None:
        raise NotNow("notice", quote, "no machine of this quote is known to wait")
    notice = records.notices.add(
        Notice(
            quote=quote.number,
            number=0,
            at=stamp.at,
            day=stamp.today,
            way=way,
            who=who,
            hand=stamp.hand,
            by=stamp.by,
        )
    )
    facts = {"notice": notice.number, "way": way.value}
    return keep_change(records, stamp, "quote.noticed", quote, facts), notice
