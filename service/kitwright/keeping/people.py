"""People: customers and machines, and what remains of a customer after erasure."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from msgspec import structs

from kitwright.errors import KitwrightError
from kitwright.keeping.dossier import Dossier, gather
from kitwright.keeping.event import add_record, change_record, keep_change
from kitwright.keeping.mail import erase_mails
from kitwright.keeping.photo import drop_photo
from kitwright.keeping.record import Customer, KeptQuote, Machine, QuoteState, Revision, Stamp
from kitwright.keeping.store import RecordMissing, Records

ERASED: Final = "erased"
"""The text that replaces a name."""


class PeopleError(KitwrightError):
    """An action that is not possible for a customer or a machine."""

    code = "people-error"


class AlreadyErased(PeopleError):
    """A customer who has been erased."""

    code = "already-erased"

    def __init__(self, number: int) -> None:
        super().__init__("this customer has been erased")
        self.number = number


class StillAtWork(PeopleError):
    """A customer for whom work is still under way can't be erased."""

    code = "still-at-work"

    def __init__(self, quotes: tuple[int, ...]) -> None:
        listed = ", ".join(f"Q{number}" for number in quotes)
        super().__init__(f"quotes still offered, agreed or in work must be ended first: {listed}")
        self.quotes = quotes


def add_customer(records: Records, stamp: Stamp, customer: Customer) -> Customer:
    """Return a new customer with its number."""
    return add_record(records, stamp, "customer.created", records.customers, customer)


def change_customer(records: Records, stamp: Stamp, before: Customer, after: Customer) -> Customer:
    """Return a changed customer. Raises: AlreadyErased."""
    if before.erased_at is not None:
        raise AlreadyErased(before.number)
    return change_record(records, stamp, "customer.changed", records.customers, before, after)


def add_machine(records: Records, stamp: Stamp, machine: Machine) -> Machine:
    """Return a new machine with its number."""
    return add_record(records, stamp, "machine.created", records.machines, machine)


def change_machine(records: Records, stamp: Stamp, before: Machine, after: Machine) -> Machine:
    """Return a changed machine. Raises: AlreadyErased."""
    if before.erased_at is not None:
        raise AlreadyErased(before.customer or 0)
    return change_record(records, stamp, "machine.changed", records.machines, before, after)


def erase_customer(
    records: Records,
    stamp: Stamp,
    customer: Customer,
    *,
    redact: Callable[[Revision], Revision],
    even_at_work: bool = False,
) -> tuple[Customer, Dossier, tuple[str, ...]]:
    """Erase a customer. Return what remains of the customer, the erased data, and the SHA-256 of
    the photographs that no record needs any longer.

    Every figure stays: quotes, revisions, limits, orders. Names, contact details, plates, serial
    numbers, words of consent, photographs and e-mails are erased. `redact` removes personal data
    from a revision's body. `even_at_work` erases also while work is under way, because the customer
    was erased before, and a restore has undone that.

    All stored answers to idempotent calls are deleted, because an answer does not say whose data it
    holds. A call of the last day that is sent again afterwards is therefore executed again, unless
    its `If-Match` refuses it.

    Raises: AlreadyErased, StillAtWork.
    """
    if customer.erased_at is not None:
        raise AlreadyErased(customer.number)
    dossier = gather(records, customer)
    busy = [
        quote.number
        for quote in dossier.quotes
        if quote.offered is not None
        or (quote.agreed is not None and quote.state is not QuoteState.done)
    ]
    if busy and not even_at_work:
        raise StillAtWork(tuple(sorted(busy)))
    for machine in dossier.machines:
        _erase_machine(records, stamp, machine)
    _erase_quotes(records, stamp, dossier, redact)
    for photo in dossier.photos:
        drop_photo(records, stamp, photo)
    blank = structs.replace(
        customer,
        name=ERASED,
        email=None,
        telephone=None,
        address=None,
        language=None,
        certificate_number=None,
        certificate_until=None,
        note=None,
        erased_at=stamp.at,
    )
    left = change_record(records, stamp, "customer.erased", records.customers, customer, blank)
    records.answers.forget()
    needed = records.photos.hashes()
    return left, dossier, tuple(sorted({photo.sha256 for photo in dossier.photos} - needed))


def _erase_quotes(
    records: Records, stamp: Stamp, dossier: Dossier, redact: Callable[[Revision], Revision]
) -> None:
    for revision in dossier.revisions:
        records.revisions.put(structs.replace(redact(revision), is_erased=True))
    for given in dossier.authorisations:
        records.authorisations.put(structs.replace(given, who=ERASED, contact=None, text=ERASED))
    for addition in dossier.additions:
        records.additions.put(structs.replace(addition, description=ERASED))
    for part in dossier.quotes:
        _erase_quote(records, stamp, part)
    erase_mails(records, stamp, dossier.mails)


def _erase_quote(records: Records, stamp: Stamp, part: KeptQuote) -> None:
    quote = records.quotes.get(part.number)
    if quote is None:
        raise RecordMissing(f"no record in quotes with number {part.number}")
    # the serial number is that of the revision shown, which may be for another customer
    serial = None if part.shown == quote.shown else quote.serial
    keep_change(records, stamp, "quote.erased", quote, serial=serial)


def _erase_machine(records: Records, stamp: Stamp, machine: Machine) -> None:
    # family, build code and chassis describe a kind of engine, not a person
    blank = structs.replace(
        machine, name=ERASED, serial=None, plate={}, hours=None, note=None, erased_at=stamp.at
    )
    change_record(records, stamp, "machine.erased", records.machines, machine, blank)
