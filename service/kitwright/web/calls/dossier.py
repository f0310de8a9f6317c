"""Dossier: all stored data of one customer, as the customer is given it."""

from __future__ import annotations

from datetime import datetime
from email import message_from_bytes
from email.policy import default

from kitwright.keeping import record
from kitwright.keeping.dossier import Dossier
from kitwright.keeping.store import Records
from kitwright.quote import Bill, Statement, read_bill, read_statement
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.quotes import QuoteHeadOut, RevisionOut, head_of, revision_out
from kitwright.web.calls.shown import EventOut, Out, extended, traced


class LetterOut(record.Mail, frozen=True, kw_only=True):
    """An e-mail with its text, the shop's note included; null once it is erased."""

    text: str | None


class ExportedQuoteOut(Out, frozen=True, kw_only=True):
    """A quote with all that belongs to it; of a photo, `path` leads to the file."""

    quote: QuoteHeadOut
    revisions: tuple[RevisionOut, ...]
    authorisations: tuple[record.Authorisation, ...]
    additions: tuple[record.Addition, ...]
    advances: tuple[record.Advance, ...]
    statement: Statement | None
    payments: tuple[record.Payment, ...]
    collected: record.Handover | None
    bills: tuple[Bill, ...]
    orders: tuple[record.KeptOrder, ...]
    photos: tuple[record.Photo, ...]
    messages: tuple[LetterOut, ...]


class ExportOut(Out, frozen=True, kw_only=True):
    """Everything that is kept of one customer, and the events about it in their order.

    `messages` went to the customer's address about quotes that are nobody's. Of a quote that is
    somebody else's by now, only the customer's own revisions are here.
    """

    at: datetime
    customer: record.Customer
    machines: tuple[record.Machine, ...]
    quotes: tuple[ExportedQuoteOut, ...]
    messages: tuple[LetterOut, ...]
    events: tuple[EventOut, ...]


def export_out(desk: Desk, records: Records, dossier: Dossier) -> ExportOut:
    """Return everything that is kept of one customer, good for encoding only."""
    numbers = {quote.number for quote in dossier.quotes}
    return ExportOut(
        at=desk.now(),
        customer=dossier.customer,
        machines=dossier.machines,
        quotes=tuple(_quote(desk, records, dossier, quote) for quote in dossier.quotes),
        messages=tuple(letter_out(one) for one in dossier.mails if one.quote not in numbers),
        events=traced(records, _events(records, dossier)),
    )


def _quote(
    desk: Desk, records: Records, dossier: Dossier, quote: record.KeptQuote
) -> ExportedQuoteOut:
    number = quote.number
    # of somebody else's quote, only the customer's own revisions are given
    is_own = quote.customer == dossier.customer.number
    kept = records.statements.get(number) if is_own else None
    return ExportedQuoteOut(
        quote=head_of(desk, records, quote),
        revisions=tuple(revision_out(one) for one in dossier.revisions if one.quote == number),
        authorisations=tuple(one for one in dossier.authorisations if one.quote == number),
        additions=tuple(one for one in dossier.additions if one.quote == number),
        advances=() if quote.agreed is None else records.advances.of_quote(number),
        statement=None if kept is None else read_statement(kept.body),
        payments=records.payments.of_quote(number) if is_own else (),
        collected=records.handovers.get(number) if is_own else None,
        bills=tuple(read_bill(one.body) for one in records.bills.of_quote(number))
        if is_own
        else (),
        orders=dossier.orders[number],
        photos=tuple(one for one in dossier.photos if one.quote == number),
        messages=tuple(letter_out(one) for one in dossier.mails if one.quote == number),
    )


def letter_out(mail: record.Mail) -> LetterOut:
    """Return an e-mail with its text."""
    message = message_from_bytes(mail.body, policy=default)
    part = message.get_body(("plain",)) if mail.body else None
    return extended(LetterOut, mail, text=None if part is None else part.get_content())


def _events(records: Records, dossier: Dossier) -> tuple[record.Event, ...]:
    subjects = [f"customer:{dossier.customer.number}"]
    for noun, kept in (
        ("machine", dossier.machines),
        ("quote", dossier.quotes),
        ("order", {one.number: one for own in dossier.orders.values() for one in own}.values()),
        ("photo", dossier.photos),
    ):
        subjects += [f"{noun}:{one.number}" for one in kept]
    found = [one for subject in subjects for one in records.events.of_subject(subject)]
    return tuple(sorted(found, key=lambda one: one.seq))
