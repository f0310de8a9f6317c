"""Dossier: the export of all data stored about one customer, on the wire."""

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
from kitwright.web.calls.event_wire import EventOut, event_out
from kitwright.web.calls.messages import MessageOut, message_out
from kitwright.web.calls.orders import KeptOrderOut, order_out
from kitwright.web.calls.out import Out
from kitwright.web.calls.people_wire import CustomerOut, MachineOut, customer_out, machine_out
from kitwright.web.calls.photos import PhotoOut, photo_out
from kitwright.web.calls.quote_wire import QuoteHeadOut, RevisionOut, quote_head, revision_out


class ExportedQuoteOut(Out, frozen=True, kw_only=True):
    """A quote with everything that belongs to it; a photo's `path` is that of its file."""

    quote: QuoteHeadOut
    revisions: tuple[RevisionOut, ...]
    authorisations: tuple[AuthorisationOut, ...]
    additions: tuple[AdditionOut, ...]
    orders: tuple[KeptOrderOut, ...]
    photos: tuple[PhotoOut, ...]
    messages: tuple[MessageOut, ...]


class ExportOut(Out, frozen=True, kw_only=True):
    """All data stored about one customer, and the events about it in their order.

    `messages` are e-mails to the customer's address about quotes without a customer. Of a quote
    that now belongs to another customer, only this customer's revisions are included.
    """

    at: datetime
    customer: CustomerOut
    machines: tuple[MachineOut, ...]
    quotes: tuple[ExportedQuoteOut, ...]
    messages: tuple[MessageOut, ...]
    events: tuple[EventOut, ...]


def export_out(records: Records, dossier: Dossier, at: datetime) -> ExportOut:
    """Return all data stored about one customer; the result can only be encoded."""
    numbers = {quote.number for quote in dossier.quotes}
    return ExportOut(
        at=at,
        customer=customer_out(dossier.customer),
        machines=tuple(map(machine_out, dossier.machines)),
        quotes=tuple(_quote(dossier, quote) for quote in dossier.quotes),
        messages=tuple(message_out(one) for one in dossier.mails if one.quote not in numbers),
        events=_events(records, dossier),
    )


def _quote(dossier: Dossier, quote: KeptQuote) -> ExportedQuoteOut:
    number = quote.number
    return ExportedQuoteOut(
        quote=quote_head(quote),
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
