"""Tickets: machines are taken in before any test, and their customers agree to the terms."""

from __future__ import annotations

from hashlib import sha256

import msgspec
from msgspec import structs

from kitwright.keeping.acts import ActRefused
from kitwright.keeping.event import Facts, add_event
from kitwright.keeping.kinds import EventKind
from kitwright.keeping.life import charges_diagnosis
from kitwright.keeping.people import AlreadyErased
from kitwright.keeping.record import KeptQuote, Means, QuoteState, Stamp, Ticket
from kitwright.keeping.store import Records

_UNCHARGED = frozenset({QuoteState.expired, QuoteState.withdrawn})
"""States of quotes that charge nothing."""


class TicketAgreed(ActRefused):
    """A ticket that was agreed to already."""

    code = "ticket-agreed"

    def __init__(self, ticket: int) -> None:
        super().__init__(f"ticket T{ticket} was agreed to, and can no longer be changed")
        self.ticket = ticket


class DiagnosisCharged(ActRefused):
    """A second quote of a ticket that would charge the diagnosis again."""

    code = "diagnosis-charged"

    def __init__(self, ticket: int, quote: int) -> None:
        super().__init__(
            f"quote Q{quote} charges the diagnosis of ticket T{ticket} already: leave out "
            "`diagnostic_done`, or withdraw that quote"
        )
        self.ticket = ticket
        self.quote = quote


def digest_of_ticket(ticket: Ticket) -> str:
    """Return the SHA-256, in hex, of what a customer agrees to with a ticket."""
    said = (
        ticket.customer,
        ticket.machine,
        ticket.brought_by,
        ticket.accessories,
        ticket.complaint,
        str(ticket.fee),
        None if ticket.most is None else str(ticket.most),
        ticket.old_parts,
        ticket.terms,
    )
    return sha256(msgspec.json.encode(said)).hexdigest()


def add_ticket(records: Records, stamp: Stamp, ticket: Ticket) -> Ticket:
    """Return a new ticket with its number."""
    kept = records.tickets.add(structs.replace(ticket, sha256=digest_of_ticket(ticket)))
    _note(records, stamp, "ticket.created", kept)
    return kept


def change_ticket(records: Records, stamp: Stamp, before: Ticket, after: Ticket) -> Ticket:
    """Return a changed ticket, which was not agreed to yet. Raises: AlreadyErased, TicketAgreed."""
    _check_open(before)
    changed = structs.replace(
        after, number=before.number, version=before.version + 1, made_at=before.made_at
    )
    kept = structs.replace(changed, sha256=digest_of_ticket(changed))
    records.tickets.put(kept)
    _note(records, stamp, "ticket.changed", kept)
    return kept


def agree_to_ticket(
    records: Records, stamp: Stamp, ticket: Ticket, who: str, means: Means
) -> Ticket:
    """Return a ticket that its customer agreed to. By the same person again, nothing changes.

    Raises: AlreadyErased, TicketAgreed.
    """
    if ticket.erased_at is None and (ticket.agreed_by, ticket.means) == (who, means):
        return ticket
    _check_open(ticket)
    kept = structs.replace(
        ticket, version=ticket.version + 1, agreed_at=stamp.at, agreed_by=who, means=means
    )
    records.tickets.put(kept)
    _note(records, stamp, "ticket.agreed", kept)
    return kept


def check_not_erased(ticket: Ticket) -> None:
    """Raise AlreadyErased if a ticket's customer was erased."""
    if ticket.erased_at is not None:
        raise AlreadyErased(ticket.customer)


def _check_open(ticket: Ticket) -> None:
    check_not_erased(ticket)
    if ticket.agreed_at is not None:
        raise TicketAgreed(ticket.number)


def _note(records: Records, stamp: Stamp, kind: EventKind, ticket: Ticket) -> None:
    facts: Facts = {"version": ticket.version, "sha256": ticket.sha256}
    add_event(records, stamp, kind, f"ticket:{ticket.number}", facts)


def charging_quote(records: Records, ticket: int, besides: int | None) -> KeptQuote | None:
    """Return the quote of a ticket that charges the diagnosis, None if none does. `besides` is the
    number of a quote that is not looked at.
    """
    for quote in records.quotes.of_ticket(ticket):
        is_other = quote.number != besides and quote.state not in _UNCHARGED
        if is_other and charges_diagnosis(records, quote):
            return quote
    return None


def check_charged_once(records: Records, quote: KeptQuote) -> None:
    """Raise DiagnosisCharged if a quote charges a diagnosis that another quote of its ticket
    charges.
    """
    if quote.ticket is None or not charges_diagnosis(records, quote):
        return
    other = charging_quote(records, quote.ticket, quote.number)
    if other is not None:
        raise DiagnosisCharged(quote.ticket, other.number)
