"""Dossier: all stored data of one customer, as the customer is given it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterable, Iterator
from datetime import datetime
from email import message_from_bytes
from email.policy import default
from functools import partial
from typing import Any, Final, TypeVar, get_type_hints

import msgspec

from kitwright.keeping import record
from kitwright.keeping.aftercare import KeptComeBack, Notice
from kitwright.keeping.dossier import (
    EVERY,
    QuoteDossier,
    contents_of,
    other_mails,
    quote_dossier,
)
from kitwright.keeping.retaining import billed_to, bills_to
from kitwright.keeping.store import Records
from kitwright.quote import Bill, Statement, read_bill, read_statement
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.quotes import QuoteHeadOut, RevisionOut, head_of, revision_out
from kitwright.web.calls.shown import EventOut, Out, extended, shown, traced

T = TypeVar("T")
_AT_ONCE: Final = 200
"""How many subjects or events are read at once."""


class LetterOut(record.Mail, frozen=True, kw_only=True):
    """An e-mail with its text, the shop's note included; null once it is erased."""

    text: str | None


class ExportedQuoteOut(Out, frozen=True, kw_only=True):
    """A quote with all that belongs to it; of a photo, `path` leads to the file."""

    quote: QuoteHeadOut
    revisions: tuple[RevisionOut, ...]
    authorisations: tuple[record.Authorisation, ...]
    additions: tuple[record.Addition, ...]
    statement: Statement | None
    payments: tuple[record.Payment, ...]
    collected: record.Handover | None
    bills: tuple[Bill, ...]
    comes_back: KeptComeBack | None
    notices: tuple[Notice, ...]
    orders: tuple[record.KeptOrder, ...]
    photos: tuple[record.Photo, ...]
    messages: tuple[LetterOut, ...]


class ExportedTicketOut(Out, frozen=True, kw_only=True):
    """A ticket, and the photos of its machine; of a photo, `path` leads to the file."""

    ticket: record.Ticket
    photos: tuple[record.Photo, ...]


class ExportOut(Out, frozen=True, kw_only=True):
    """Everything that is kept of one customer, and the events about it in their order.

    `bills` are the invoices and credit notes made out to the customer for quotes of others.
    `messages` went to the customer's address about quotes that are nobody's. Of a quote that is
    somebody else's by now, only the customer's own revisions are here.
    """

    at: datetime
    customer: record.Customer
    machines: tuple[record.Machine, ...]
    tickets: tuple[ExportedTicketOut, ...]
    quotes: tuple[ExportedQuoteOut, ...]
    bills: tuple[Bill, ...]
    messages: tuple[LetterOut, ...]
    events: tuple[EventOut, ...]


async def export_parts(desk: Desk, customer: record.Customer) -> AsyncIterator[bytes]:
    """Yield an `ExportOut` as JSON in parts, so that few of a customer's quotes are in memory at a
    time. Between two parts, other calls are answered.
    """
    read = desk.store.read
    contents = read(partial(contents_of, customer=customer))
    tickets = read(partial(_tickets, customer=customer))
    yield _members(at=desk.now(), customer=customer, machines=contents.machines, tickets=tickets)
    subjects = [f"customer:{customer.number}"]
    subjects += [f"machine:{one.number}" for one in contents.machines]
    for one in tickets:
        subjects.append(f"ticket:{one.ticket.number}")
        subjects += [f"photo:{photo.number}" for photo in one.photos]
    bills = read(partial(_billed, customer=customer.number))
    mark = b',"quotes":['
    for number in contents.own:

        def quote_of(records: Records, number: int = number) -> tuple[bytes, list[str]]:
            own = quote_dossier(records, contents, number)
            return _encoded(
                ExportedQuoteOut, _quote(desk, records, own, customer.number)
            ), _subjects(own)

        part, more = read(quote_of)
        subjects += more
        yield mark + part
        mark = b","
        await asyncio.sleep(0)
    yield (b'],"bills":' if mark == b"," else b',"quotes":[],"bills":') + bills
    yield b',"messages":' + read(
        lambda records: _encoded(
            tuple[LetterOut, ...], tuple(map(letter_out, other_mails(records, contents)))
        )
    )
    events: list[record.Event] = []
    wanted = dict.fromkeys(subjects)
    for some in _some(list(wanted)):
        events += read(partial(_events, subjects=some))
        await asyncio.sleep(0)
    events.sort(key=lambda one: one.seq)
    mark = b',"events":['
    for few in _some(events):
        told = read(partial(traced, events=few))
        yield mark + b",".join(_encoded(EventOut, one) for one in told)
        mark = b","
        await asyncio.sleep(0)
    yield b"]}"


def _billed(records: Records, customer: int) -> bytes:
    """Return the documents that bill a customer for quotes of others, as JSON."""
    found = (
        one
        for quote in billed_to(records, customer)
        for one in bills_to(records, quote.number, customer)
    )
    return _encoded(tuple[Bill, ...], tuple(read_bill(one.body) for one in found))


def _tickets(records: Records, customer: record.Customer) -> tuple[ExportedTicketOut, ...]:
    found = records.tickets.find(customer.number, None, None, EVERY)
    return tuple(
        ExportedTicketOut(ticket=one, photos=records.photos.of_ticket(one.number)) for one in found
    )


def _some(items: list[T]) -> Iterator[list[T]]:
    return (items[start : start + _AT_ONCE] for start in range(0, len(items), _AT_ONCE))


def _encoded(hint: Any, value: object) -> bytes:
    """Return a value of a type as the JSON that shows it."""
    convert = shown(hint)[1]
    return msgspec.json.encode(convert(value) if convert else value)


def _members(**members: object) -> bytes:
    """Return the first members of an `ExportOut`, without the end of the object."""
    hints = get_type_hints(ExportOut, include_extras=True)
    encoded = {name: msgspec.Raw(_encoded(hints[name], value)) for name, value in members.items()}
    return msgspec.json.encode(encoded)[:-1]


def _quote(desk: Desk, records: Records, own: QuoteDossier, customer: int) -> ExportedQuoteOut:
    number = own.quote.number
    # the account is that of whose revision is agreed
    is_own = any(one.number == own.quote.agreed for one in own.revisions)
    kept = records.statements.get(number) if is_own else None
    bills = bills_to(records, number, customer) if is_own else ()
    return ExportedQuoteOut(
        quote=head_of(desk, records, own.quote),
        revisions=tuple(map(revision_out, own.revisions)),
        authorisations=own.authorisations,
        additions=own.additions,
        statement=None if kept is None else read_statement(kept.body),
        payments=records.payments.of_quote(number) if is_own else (),
        collected=records.handovers.get(number) if is_own else None,
        bills=tuple(read_bill(one.body) for one in bills),
        comes_back=records.come_backs.get(number) if is_own or own.quote.agreed is None else None,
        notices=records.notices.of_quote(number) if is_own or own.quote.agreed is None else (),
        orders=own.orders,
        photos=own.photos,
        messages=tuple(map(letter_out, own.mails)),
    )


def _subjects(own: QuoteDossier) -> list[str]:
    """Return the subjects of the events about a quote, its orders and its photographs."""
    subjects = [f"quote:{own.quote.number}"]
    subjects += [f"order:{one.number}" for one in own.orders]
    return subjects + [f"photo:{one.number}" for one in own.photos]


def _events(records: Records, subjects: Iterable[str]) -> list[record.Event]:
    return [one for subject in subjects for one in records.events.of_subject(subject)]


def letter_out(mail: record.Mail) -> LetterOut:
    """Return an e-mail with its text."""
    message = message_from_bytes(mail.body, policy=default)
    part = message.get_body(("plain",)) if mail.body else None
    return extended(LetterOut, mail, text=None if part is None else part.get_content())
