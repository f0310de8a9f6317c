"""Dossier: everything that is kept of one customer, on the wire."""

from __future__ import annotations

from datetime import datetime

from kitwright.keeping.dossier import Dossier
from kitwright.keeping.record import KeptQuote
from kitwright.keeping.store import Records
from kitwright.web.calls.consent_wire import (
    AdditionOut,
    AuthorisationOut,
    addition_out,
    authorisation_out,
)
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.event_wire import EventOut, event_out
from kitwright.web.calls.messages import MessageOut, message_out
from kitwright.web.calls.orders import KeptOrderOut, order_out
from kitwright.web.calls.out import Out
from kitwright.web.calls.people_wire import CustomerOut, MachineOut, customer_out, machine_out
from kitwright.web.calls.photos import PhotoOut, photo_out
from kitwright.web.calls.quote_wire import QuoteHeadOut, RevisionOut, revision_out
from kitwright.web.calls.quotes import head_of


class ExportedQuoteOut(Out, frozen=True, kw_only=True):
    """A quote with all that belongs to it; of a photo, `path` leads to the file."""

    quote: QuoteHeadOut
    revisions: tuple[RevisionOut, ...]
    authorisations: tuple[AuthorisationOut, ...]
    additions: tuple[AdditionOut, ...]
    orders: tuple[KeptOrderOut, ...]
    photos: tuple[PhotoOut, ...]
    messages: tuple[MessageOut, ...]


class ExportOut(Out, frozen=True, kw_only=True):
    """Everything that is kept of one customer, and the events about it in their order.

    `messages` went to the customer's address about quotes that are nobody's. Of a quote that is
    somebody else's by now, only the customer's own revisions are here.
    """

    at: datetime
    customer: CustomerOut
    machines: tuple[MachineOut, ...]
    quotes: tuple[ExportedQuoteOut, ...]
    messages: tuple[MessageOut, ...]
    events: tuple[EventOut, ...]


def export_out(desk: Desk, records: Records, dossier: Dossier) -> ExportOut:
    """Return everything that is kept of one customer, good for encoding only."""
    numbers = {quote.number for quote in dossier.quotes}
    return ExportOut(
        at=desk.now(),
        customer=customer_out(dossier.customer),
        machines=tuple(map(machine_out, dossier.machines)),
        quotes=tuple(_quote(desk, records, dossier, quote) for quote in dossier.quotes),
        messages=tuple(message_out(one) for one in dossier.mails if one.quote not in numbers),
        events=_events(records, dossier),
    )


def _quote(desk: Desk, records: Records, dossier: Dossier, quote: KeptQuote) -> ExportedQuoteOut:
    number = quote.number
    return ExportedQuoteOut(
        quote=head_of(desk, records, quote),
        revisions=tuple(revision_out(one) for one in dossier.revisions if one.quote == number),
        authorisations=tuple(
            authorisation_out(one) for one in dossier.authorisations if one.quote == number
        ),
        additions=tuple(addition_out(one) for one in dossier.additions if one.quote == number),
        orders=tuple(order_out(one) for one in dossier.orders if one.quote == number),
        photos=tuple(photo_out(one) for one in dossier.photos if one.quote == number),
        messages=tuple(message_out(one) for one in dossier.mails if one.quote == number),
    )


def _events(records: Records, dossier: Dossier) -> tuple[EventOut, ...]:
    subjects = [f"customer:{dossier.customer.number}"]
    for noun, kept in (
        ("machine", dossier.machines),
        ("quote", dossier.quotes),
        ("order", dossier.orders),
        ("photo", dossier.photos),
    ):
        subjects += [f"{noun}:{one.number}" for one in kept]
    found = [one for subject in subjects for one in records.events.of_subject(subject)]
    return tuple(map(event_out, sorted(found, key=lambda one: one.seq)))
