"""People: customers and machines, and what is left when a customer wants to be forgotten."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Final

from msgspec import Struct, structs

from kitwright.errors import KitwrightError
from kitwright.keeping.life import add_event, note_event
from kitwright.keeping.mail import erase_mails
from kitwright.keeping.photo import drop_photo
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
    Stamp,
)
from kitwright.keeping.store import QuoteFilter, Records

ERASED: Final = "erased"
"""Stands where a name was."""

_EVERY: Final = 2**53
"""More than anybody has."""


class PeopleError(KitwrightError):
    """Something that can't be done with a customer or a machine."""

    code = "people-error"


class AlreadyErased(PeopleError):
    """A customer who was erased."""

    code = "already-erased"

    def __init__(self, number: int) -> None:
        super().__init__("this customer was erased")
        self.number = number


class StillAtWork(PeopleError):
    """A customer for whom work is still under way can't be erased."""

    code = "still-at-work"

    def __init__(self, quotes: tuple[int, ...]) -> None:
        listed = ", ".join(f"Q{number}" for number in quotes)
        super().__init__(f"still offered, agreed or in work, to be ended first: {listed}")
        self.quotes = quotes


class Dossier(Struct, frozen=True, kw_only=True):
    """Everything that is kept of one customer.

    Quotes without a customer count where they are for one of the customer's machines, and machines
    without a customer where all their quotes are the customer's.
    """

    customer: Customer
    machines: tuple[Machine, ...]
    quotes: tuple[KeptQuote, ...]
    revisions: tuple[Revision, ...]
    authorisations: tuple[Authorisation, ...]
    additions: tuple[Addition, ...]
    orders: tuple[KeptOrder, ...]
    photos: tuple[Photo, ...]
    mails: tuple[Mail, ...]


def add_customer(records: Records, stamp: Stamp, customer: Customer) -> Customer:
    """Return a new customer with its number."""
    kept = records.people.add_customer(customer)
    add_event(records, stamp, "customer.created", f"customer:{kept.number}", {"version": 1})
    return kept


def change_customer(records: Records, stamp: Stamp, before: Customer, after: Customer) -> Customer:
    """Return a customer as changed. Raises: AlreadyErased."""
    if before.erased_at is not None:
        raise AlreadyErased(before.number)
    kept = structs.replace(
        after, number=before.number, version=before.version + 1, made_at=before.made_at
    )
    records.people.put_customer(kept)
    add_event(
        records, stamp, "customer.changed", f"customer:{kept.number}", {"version": kept.version}
    )
    return kept


def add_machine(records: Records, stamp: Stamp, machine: Machine) -> Machine:
    """Return a new machine with its number."""
    kept = records.people.add_machine(machine)
    add_event(records, stamp, "machine.created", f"machine:{kept.number}", {"version": 1})
    return kept


def change_machine(records: Records, stamp: Stamp, before: Machine, after: Machine) -> Machine:
    """Return a machine as changed. Raises: AlreadyErased."""
    if before.erased_at is not None:
        raise AlreadyErased(before.customer or 0)
    kept = structs.replace(
        after, number=before.number, version=before.version + 1, made_at=before.made_at
    )
    records.people.put_machine(kept)
    add_event(
        records, stamp, "machine.changed", f"machine:{kept.number}", {"version": kept.version}
    )
    return kept


def gather(records: Records, customer: Customer) -> Dossier:
    """Return everything that is kept of one customer."""
    machines = list(records.people.machines(customer.number, None, _EVERY))
    found = {quote.number: quote for quote in _quotes(records, customer=customer.number)}
    for machine in machines:
        found |= {
            quote.number: quote
            for quote in _quotes(records, machine=machine.number)
            if quote.customer is None
        }
    machines += _ownerless(records, found)
    quotes = tuple(found[number] for number in sorted(found, reverse=True))
    numbers = [quote.number for quote in quotes]
    return Dossier(
        customer=customer,
        machines=tuple(machines),
        quotes=quotes,
        revisions=tuple(
            one
            for quote in quotes
            for number in range(1, quote.latest + 1)
            if (one := records.quotes.revision(quote.number, number)) is not None
        ),
        authorisations=tuple(
            one for number in numbers for one in records.quotes.authorisations(number)
        ),
        additions=tuple(one for number in numbers for one in records.quotes.additions(number)),
        orders=tuple(
            one for number in numbers for one in records.orders.find(number, None, None, _EVERY)
        ),
        photos=tuple(one for number in numbers for one in records.photos.of_quote(number)),
        mails=tuple(one for number in numbers for one in records.mails.of_quote(number)),
    )


def _quotes(
    records: Records, customer: int | None = None, machine: int | None = None
) -> tuple[KeptQuote, ...]:
    return records.quotes.find(QuoteFilter(customer=customer, machine=machine, most=_EVERY))


def _ownerless(records: Records, quotes: Mapping[int, KeptQuote]) -> Iterator[Machine]:
    """Yield the machines of some quotes that are nobody's and have no other quotes."""
    for number in sorted({quote.machine for quote in quotes.values()} - {None}, key=str):
        machine = None if number is None else records.people.machine(number)
        if machine is not None and machine.customer is None and machine.erased_at is None:
            others = {quote.number for quote in _quotes(records, machine=number)} - set(quotes)
            if not others:
                yield machine


def erase_customer(
    records: Records,
    stamp: Stamp,
    customer: Customer,
    *,
    redact: Callable[[Revision], Revision],
) -> tuple[Customer, Dossier, tuple[str, ...]]:
    """Return what is left of a customer, what there was of it, and the SHA-256 of photographs that
    nothing needs now.

    Every figure stays: quotes, revisions, limits, orders. Names, contact, plates, serials, words
    of consent, photographs and mails go. `redact` takes what is personal out of a revision's body.

    Answers that wait to be given again are forgotten, all of them: an answer does not say whose
    data it holds. So a call of the last day that is sent again after this is done again, unless
    its `If-Match` refuses it.

    Raises: AlreadyErased, StillAtWork.
    """
    if customer.erased_at is not None:
        raise AlreadyErased(customer.number)
    dossier = gather(records, customer)
    busy = [
        quote.number
        for quote in dossier.quotes
        if quote.offered is not None or quote.state.value in ("accepted", "ordered", "in_work")
    ]
    if busy:
        raise StillAtWork(tuple(sorted(busy)))
    left = structs.replace(
        customer,
        version=customer.version + 1,
        name=ERASED,
        e_mail=None,
        telephone=None,
        address=None,
        language=None,
        certificate_number=None,
        certificate_until=None,
        note=None,
        erased_at=stamp.at,
    )
    for machine in dossier.machines:
        _erase_machine(records, stamp, machine)
    _erase_quotes(records, stamp, dossier, redact)
    for photo in dossier.photos:
        drop_photo(records, stamp, photo)
    records.people.put_customer(left)
    records.answers.forget()
    add_event(
        records, stamp, "customer.erased", f"customer:{left.number}", {"version": left.version}
    )
    needed = records.photos.hashes()
    return left, dossier, tuple(sorted({photo.sha256 for photo in dossier.photos} - needed))


def _erase_quotes(
    records: Records, stamp: Stamp, dossier: Dossier, redact: Callable[[Revision], Revision]
) -> None:
    for revision in dossier.revisions:
        records.quotes.put_revision(structs.replace(redact(revision), is_erased=True))
    for given in dossier.authorisations:
        records.quotes.put_authorisation(
            structs.replace(given, who=ERASED, contact=None, text=ERASED)
        )
    for addition in dossier.additions:
        records.quotes.put_addition(structs.replace(addition, description=ERASED))
    for quote in dossier.quotes:
        blank = structs.replace(quote, version=quote.version + 1, serial=None, changed_at=stamp.at)
        records.quotes.put(blank)
        note_event(records, stamp, "quote.erased", blank)
    erase_mails(records, stamp, (quote.number for quote in dossier.quotes))


def _erase_machine(records: Records, stamp: Stamp, machine: Machine) -> None:
    # family, build code and chassis tell of an engine's kind, not of a person
    blank = structs.replace(
        machine,
        version=machine.version + 1,
        name=ERASED,
        serial=None,
        plate={},
        hours=None,
        note=None,
        erased_at=stamp.at,
    )
    records.people.put_machine(blank)
    add_event(
        records, stamp, "machine.erased", f"machine:{blank.number}", {"version": blank.version}
    )
