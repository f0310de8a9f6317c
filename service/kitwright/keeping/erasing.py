"""Erasing: begins the erasure of a customer's personal data, which is removed in short steps, each
of them durable.

The first transaction refuses or begins: from then on the customer is erased for everybody, and a
record of the erasure says what is still to be done. Each step does some of it and notes how far it
came (`erasure_steps`). So a process that breaks off leaves nothing behind: whoever opens the
records next goes on.

A damaged record can't be erased, because nothing tells what is in it. Everything else is, and the
erasure stays under way until it is begun again and finds no damage.
"""

from __future__ import annotations

from collections.abc import Container, Iterator
from contextlib import suppress
from datetime import datetime
from typing import Final

from msgspec import structs

from kitwright.keeping.dossier import own_revisions
from kitwright.keeping.erasure_words import ERASED
from kitwright.keeping.people import AlreadyErased, PeopleError
from kitwright.keeping.record import (
    Customer,
    Erasure,
    ErasureStage,
    KeptQuote,
    QuoteState,
    RetentionWhy,
    Stamp,
)
from kitwright.keeping.retaining import (
    Terms,
    billed_to,
    bills_to,
    held_by,
    held_for,
    let_go,
    retain,
)
from kitwright.keeping.store import RecordDamaged, Records

_MOST_BUSY: Final = 100
"""How many quotes under way are looked at before an erasure is refused."""
_PAGE: Final = 100
"""How many quotes are read at a time."""
_NO_TERMS: Final = Terms()
_KEPT_COUNTS: Final = frozenset({"machines", "tickets", "revisions", "photos"})
"""Kinds of records that are not found again if an erasure is begun again."""


class StillAtWork(PeopleError):
    """A customer for whom work is still under way can't be erased."""

    code = "still-at-work"

    def __init__(self, quotes: tuple[int, ...]) -> None:
        listed = ", ".join(f"Q{number}" for number in quotes)
        super().__init__(f"quotes still offered, agreed or in work must be ended first: {listed}")
        self.quotes = quotes


def begin_erasure(
    records: Records,
    stamp: Stamp,
    customer: Customer,
    *,
    terms: Terms = _NO_TERMS,
    even_at_work: bool = False,
    held: Container[int] = (),
) -> Erasure:
    """Return the erasure of a customer: the one that is under way, else a new one. With it, the
    customer's own record is erased, and names nobody any longer. One that left damaged records
    starts again from the beginning. A customer of whom a quote is not settled is erased in part:
    the record stays, and that quote with all that belongs to it, until it is settled.

    `terms` say how long the warranty on a quote runs. `even_at_work` begins also while work is
    under way, because the customer was erased before, and a restore has undone that; then the
    quotes `held` stay, as they did before.

    Raises: AlreadyErased, if nothing is left to be erased; StillAtWork.
    """
    under_way = records.erasures.of_customer(customer.number)
    if under_way is not None:
        return begin_again(records, under_way)
    if customer.erased_at is not None:
        raise AlreadyErased(customer.number)
    busy = () if even_at_work else tuple(_busy(records, customer.number))
    if busy:
        raise StillAtWork(tuple(sorted(busy)))
    _retain_billed(records, stamp, customer.number)
    if even_at_work:
        is_held = _hold_again(records, stamp, customer.number, held)
    else:
        is_held = _hold(records, stamp, customer.number, terms)
    if is_held:
        left = structs.replace(customer, version=customer.version + 1, note=None)
    else:
        blank = _blank(customer.number, customer.version + 1, customer.made_at)
        left = structs.replace(blank, erased_at=stamp.at)
    records.customers.put(left)
    return records.erasures.add(
        Erasure(
            number=0,
            customer=customer.number,
            email=None if is_held else customer.email,
            at=stamp.at,
            today=stamp.today,
            hand=stamp.hand,
            by=stamp.by,
            request_id=stamp.request_id,
            stage=ErasureStage.machines,
            place=0,
            counts={},
        )
    )


def _hold(records: Records, stamp: Stamp, customer: int, terms: Terms) -> bool:
    """Keep which quotes of a customer are not settled; return whether there are any."""
    let_go(records, customer)
    is_held = False
    for quote in _every(records, customer):
        with suppress(RecordDamaged):
            held = held_by(records, quote, terms, stamp.today)
            own = own_revisions(records, records.revisions.of_quote(quote.number), customer)
            if held is not None and (quote.agreed or quote.shown) in own:
                retain(records, stamp, customer, quote.number, *held)
                is_held = True
    for quote in billed_to(records, customer):
        with suppress(RecordDamaged):
            held = held_for(records, quote, customer, terms, stamp.today)
            if held is not None:
                retain(records, stamp, customer, quote.number, *held)
                is_held = True
    return is_held


def _hold_again(records: Records, stamp: Stamp, customer: int, held: Container[int]) -> bool:
    """Keep those quotes that stayed of a customer before a restore and are here; return whether
    there are any. Why they stay is found when it is next looked at.
    """
    let_go(records, customer)
    own = {quote.number for quote in _every(records, customer)}
    own |= {quote.number for quote in billed_to(records, customer)}
    again = [number for number in sorted(own) if number in held]
    for number in again:
        retain(records, stamp, customer, number, RetentionWhy.balance)
    return bool(again)


def _retain_billed(records: Records, stamp: Stamp, customer: int) -> None:
    """Keep which quotes of others have invoices that are made out to a customer: they stay as the
    customer's own invoices do.
    """
    for quote in billed_to(records, customer):
        is_left = True
        with suppress(RecordDamaged):
            bills = bills_to(records, quote.number, customer)
            is_left = any(one.erased_at is None for one in bills)
        if is_left:
            retain(records, stamp, customer, quote.number, RetentionWhy.invoices)


def begin_again(records: Records, erasure: Erasure) -> Erasure:
    """Return an erasure that is under way: from the beginning if it left damaged records."""
    if erasure.stage is not ErasureStage.damaged:
        return erasure
    counts = {kind: number for kind, number in erasure.counts.items() if kind in _KEPT_COUNTS}
    again = structs.replace(erasure, stage=ErasureStage.machines, place=0, counts=counts)
    records.erasures.put(again)
    return again


def lost_customer(records: Records, number: int, at: datetime) -> Customer:
    """Return a customer whose record can't be read, as far as events tell of it, to be erased.

    The address is not known, so e-mails to it about quotes that are nobody's stay.
    """
    events = records.events.of_subject(f"customer:{number}")
    versions = (one.facts.get("version") for one in events)
    return _blank(
        number,
        max((one for one in versions if isinstance(one, int)), default=0),
        events[0].at if events else at,
    )


def _blank(number: int, version: int, made_at: datetime) -> Customer:
    """Return a customer of whom nothing is known."""
    return Customer(
        number=number,
        version=version,
        name=ERASED,
        email=None,
        telephone=None,
        address=None,
        language=None,
        certificate_number=None,
        certificate_until=None,
        note=None,
        made_at=made_at,
        erased_at=None,
    )


def _busy(records: Records, customer: int) -> Iterator[int]:
    """Yield the quotes of which a revision of a customer is offered, or agreed and not done, as far
    as they can be read.
    """
    for quote in _opened(records, customer):
        with suppress(RecordDamaged):
            own = own_revisions(records, records.revisions.of_quote(quote.number), customer)
            is_agreed = quote.agreed in own and quote.state is not QuoteState.done
            if quote.offered in own or is_agreed:
                yield quote.number


def _opened(records: Records, customer: int) -> Iterator[KeptQuote]:
    """Yield quotes of a customer with an offer or an agreement, but no damaged ones."""
    place: int | None = None
    for _ in range(_MOST_BUSY):
        try:
            found = records.quotes.of_customer(customer, place, 1, is_open=True)
        except RecordDamaged as damage:
            place = number_of(damage, "quotes")
            continue
        if not found:
            return
        place = found[0].number
        yield found[0]


def _every(records: Records, customer: int) -> Iterator[KeptQuote]:
    """Yield all quotes of a customer, but no damaged ones."""
    place: int | None = None
    most = _PAGE
    while True:
        try:
            found = records.quotes.of_customer(customer, place, most)
        except RecordDamaged as damage:
            # one by one up to the damaged one
            place, most = (number_of(damage, "quotes"), _PAGE) if most == 1 else (place, 1)
            continue
        if not found:
            return
        place = found[-1].number
        yield from found


def number_of(damage: RecordDamaged, table: str) -> int:
    """Return the number of a damaged record of a table. Raises: RecordDamaged, if of another."""
    number = damage.key[0] if damage.table == table and damage.key else None
    if not isinstance(number, int):
        raise damage
    # 0 stands for no place
    return number or -1
