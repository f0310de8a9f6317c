"""Dossier: all stored data of one customer, and of no other."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from typing import Final

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
from kitwright.keeping.store import RecordMissing, Records
from kitwright.keeping.whom import customer_for

EVERY: Final = 2**53
"""More records than any customer has."""


class Contents(Struct, frozen=True, kw_only=True):
    """What there is of one customer: the machines, and the numbers of the customer's revisions by
    quote, the newest first.

    A revision belongs to the customer whom it names. If it names none, it belongs to the customer
    whose machine it names; otherwise to the customer of the quote's newest revision.

    Machines are the customer's own, and machines without an owner that only these revisions name.
    """

    customer: Customer
    machines: tuple[Machine, ...]
    own: Mapping[int, frozenset[int]]


class QuoteDossier(Struct, frozen=True, kw_only=True):
    """All stored data of one customer that belongs to one quote.

    The quote is listed with the customer's revisions only. If the revision that it shows is another
    customer's, its figures are those of the newest listed revision, and its serial number is left
    out. With each revision go its authorisation, additions and e-mails, and the photographs taken
    while it was the newest. Orders are those for these revisions, also for other quotes.
    """

    quote: KeptQuote
    revisions: tuple[Revision, ...]
    authorisations: tuple[Authorisation, ...]
    additions: tuple[Addition, ...]
    orders: tuple[KeptOrder, ...]
    photos: tuple[Photo, ...]
    mails: tuple[Mail, ...]


def contents_of(records: Records, customer: Customer) -> Contents:
    """Return what there is of one customer."""
    machines = records.machines.find(customer.number, None, EVERY)
    named = {one.number for one in records.quotes.naming(customer.number, None)}
    for machine in machines:
        named |= {one.number for one in records.quotes.naming(None, machine.number)}
    own = dict[int, Mapping[int, Revision]]()
    for number in sorted(named, reverse=True):
        mine = own_revisions(records, records.revisions.of_quote(number), customer.number)
        if mine:
            own[number] = mine
    every = (one for mine in own.values() for one in mine.values())
    return Contents(
        customer=customer,
        machines=(*machines, *ownerless(records, customer.number, every)),
        own={number: frozenset(mine) for number, mine in own.items()},
    )


def quote_dossier(records: Records, contents: Contents, number: int) -> QuoteDossier:
    """Return all stored data of a customer that belongs to one of the quotes."""
    quote, numbers = records.quotes.get(number), contents.own[number]
    if quote is None:
        raise RecordMissing(f"quote {number}")
    found = (records.revisions.get(number, one) for one in sorted(numbers))
    own = {one.number: one for one in found if one is not None}
    return QuoteDossier(
        quote=part_of(quote, own),
        revisions=tuple(own.values()),
        authorisations=tuple(
            one for one in records.authorisations.of_quote(number) if one.revision in own
        ),
        additions=tuple(one for one in records.additions.of_quote(number) if one.revision in own),
        orders=tuple(_orders(records, number, own)),
        photos=tuple(
            photos_of(records.photos.of_quote(number), records.revisions.of_quote(number), own)
        ),
        mails=tuple(one for one in records.mails.of_quote(number) if one.revision in own),
    )


def _orders(records: Records, number: int, own: Mapping[int, Revision]) -> Iterator[KeptOrder]:
    """Yield the orders that are for a customer's revisions of a quote, also beside others."""
    for order in records.orders.find(number, None, None, EVERY):
        allocations = records.allocations.of_order(order.number)
        if any(one.quote == number and one.revision in own for one in allocations):
            yield order


def own_revisions(
    records: Records, revisions: Sequence[Revision], customer: int
) -> dict[int, Revision]:
    """Return those of all revisions of a quote that belong to a customer, by number."""
    if not revisions:
        return {}
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


def photos_of(
    photos: Iterable[Photo], revisions: Sequence[Revision], own: Container[int]
) -> Iterator[Photo]:
    """Yield those of a quote's photographs that were taken while one of a customer's `own` of all
    its revisions was the newest.
    """
    for photo in photos:
        before = [one.number for one in revisions if one.made_at <= photo.made_at]
        # a first draft that was replaced is younger than the photographs taken before
        if max(before, default=1) in own:
            yield photo


def other_mails(records: Records, contents: Contents) -> Iterator[Mail]:
    """Yield the e-mails to the customer's present address about revisions that name no customer."""
    email = contents.customer.email
    for mail in () if email is None else records.mails.to(email, 0, EVERY):
        if mail.quote is None or mail.revision is None:
            # an order, to a supplier with that address
            continue
        if mail.revision not in contents.own.get(mail.quote, ()):
            revision = records.revisions.get(mail.quote, mail.revision)
            if revision is not None and revision.customer is None:
                yield mail


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
