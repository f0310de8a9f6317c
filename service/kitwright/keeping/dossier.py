"""Dossier: all stored data of one customer, and of no other."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Final, TypeVar

from msgspec import Struct, structs

from kitwright.keeping.life import shown_of
from kitwright.keeping.record import (
    Addition,
    Authorisation,
    Customer,
    KeptOrder,
    KeptQuote,
    Machine,
    Mail,
    Photo,
    Revision,
)
from kitwright.keeping.store import Records
from kitwright.keeping.whom import customer_for

EVERY: Final = 2**53
"""More records than any customer has."""


class Dossier(Struct, frozen=True, kw_only=True):
    """All stored data of one customer.

    A revision belongs to the customer whom it names. If it names none, it belongs to the customer
    whose machine it names; otherwise to the customer of the quote's newest revision.

    A quote is listed with the customer's revisions only. If the revision that it shows is another
    customer's, its figures are those of the newest listed revision, and its serial number is left
    out. With each revision go its authorisation, additions, orders and e-mails, and the photographs
    taken while it was the newest.

    Machines are the customer's own, and machines without an owner that only these revisions name.
    Orders are by quote, with those that are for other quotes as well.
    E-mails include those to the customer's present address about revisions that name no customer.
    """

    customer: Customer
    machines: tuple[Machine, ...]
    quotes: tuple[KeptQuote, ...]
    revisions: tuple[Revision, ...]
    authorisations: tuple[Authorisation, ...]
    additions: tuple[Addition, ...]
    orders: Mapping[int, tuple[KeptOrder, ...]]
    photos: tuple[Photo, ...]
    mails: tuple[Mail, ...]


R = TypeVar("R", Authorisation, Addition, Mail)
_Own = Mapping[int, Mapping[int, Revision]]
"""A customer's revisions by quote, the newest first, and by number."""


def gather(records: Records, customer: Customer) -> Dossier:
    """Return all stored data of one customer."""
    machines = records.machines.find(customer.number, None, EVERY)
    named = {one.number: one for one in records.quotes.naming(customer.number, None)}
    for machine in machines:
        named |= {one.number: one for one in records.quotes.naming(None, machine.number)}
    quotes, own = list[KeptQuote](), dict[int, Mapping[int, Revision]]()
    for number in sorted(named, reverse=True):
        revisions = _whole(records, named[number])
        mine = own_revisions(records, revisions, customer.number)
        if mine:
            quotes.append(part_of(named[number], mine))
            own[number] = mine

    def of_own(of_quote: Callable[[int], Iterable[R]]) -> tuple[R, ...]:
        """Return the records that go with the customer's revisions."""
        return tuple(
            one for number, mine in own.items() for one in of_quote(number) if one.revision in mine
        )

    return Dossier(
        customer=customer,
        machines=(*machines, *_ownerless(records, customer.number, own)),
        quotes=tuple(quotes),
        revisions=tuple(one for mine in own.values() for one in mine.values()),
        authorisations=of_own(records.authorisations.of_quote),
        additions=of_own(records.additions.of_quote),
        orders={number: tuple(_orders(records, number, mine)) for number, mine in own.items()},
        photos=tuple(
            one for number, mine in own.items() for one in photos_of(records, named[number], mine)
        ),
        mails=(
            *of_own(records.mails.of_quote),
            *_other_mails(records, customer, own),
        ),
    )


def _orders(records: Records, number: int, own: Mapping[int, Revision]) -> Iterator[KeptOrder]:
    """Yield the orders that are for a customer's revisions of a quote, also beside others."""
    for order in records.orders.find(number, None, None, EVERY):
        allocations = records.allocations.of_order(order.number)
        if any(one.quote == number and one.revision in own for one in allocations):
            yield order


def _whole(records: Records, quote: KeptQuote) -> list[Revision]:
    numbers = range(1, quote.latest + 1)
    found = (records.revisions.get(quote.number, number) for number in numbers)
    return [one for one in found if one is not None]


def own_revisions(
    records: Records, revisions: Sequence[Revision], customer: int
) -> dict[int, Revision]:
    """Return those of all revisions of a quote that belong to a customer, by number."""
    newest = customer_for(records, revisions[-1])
    whom = [customer_for(records, one) for one in revisions]
    return {
        one.number: one
        for one, number in zip(revisions, whom, strict=True)
        if customer == (newest if number is None else number)
    }


def part_of(quote: KeptQuote, own: Mapping[int, Revision]) -> KeptQuote:
    """Return the part of a quote that belongs to the customer."""
    newest = own[max(own)]
    part = structs.replace(
        quote,
        latest=newest.number,
        offered=quote.offered if quote.offered in own else None,
        agreed=quote.agreed if quote.agreed in own else None,
    )
    if quote.shown in own:
        return part
    return structs.replace(part, **{**shown_of(newest), "serial": None})


def photos_of(records: Records, quote: KeptQuote, own: Mapping[int, Revision]) -> Iterator[Photo]:
    """Yield the photographs taken while a customer's revision was the newest."""
    revisions = records.revisions.of_quote(quote.number)
    for photo in records.photos.of_quote(quote.number):
        before = [one.number for one in revisions if one.made_at <= photo.made_at]
        # a first draft that was replaced is younger than the photographs taken before
        if max(before, default=1) in own:
            yield photo


def _other_mails(records: Records, customer: Customer, own: _Own) -> Iterator[Mail]:
    """Yield the e-mails to the customer's address about revisions that name no customer."""
    for mail in () if customer.email is None else records.mails.to(customer.email, 0, EVERY):
        if mail.quote is None or mail.revision is None:
            # an order, to a supplier with that address
            continue
        if mail.revision not in own.get(mail.quote, ()):
            revision = records.revisions.get(mail.quote, mail.revision)
            if revision is not None and revision.customer is None:
                yield mail


def _ownerless(records: Records, customer: int, own: _Own) -> Iterator[Machine]:
    """Yield the machines of some revisions that have no owner and that no other revision names."""
    yield from ownerless(records, customer, (one for mine in own.values() for one in mine.values()))


def ownerless(records: Records, customer: int, own: Iterable[Revision]) -> Iterator[Machine]:
    """Yield the machines of a customer's revisions that have no owner and that no revision of
    somebody else names.
    """
    for number in sorted({one.machine for one in own} - {None}, key=str):
        machine = None if number is None else records.machines.get(number)
        if (
            machine is not None
            and machine.customer is None
            and machine.erased_at is None
            and not _is_anybody_elses(records, customer, machine.number)
        ):
            yield machine


def _is_anybody_elses(records: Records, customer: int, machine: int) -> bool:
    for quote in records.quotes.naming(None, machine):
        revisions = records.revisions.of_quote(quote.number)
        mine = own_revisions(records, revisions, customer)
        if any(one.machine == machine and one.number not in mine for one in revisions):
            return True
    return False
