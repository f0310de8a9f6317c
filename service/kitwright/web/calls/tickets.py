"""Tickets: calls that take machines in, and keep what their customers agree to."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Annotated, Literal

from msgspec import Meta

from kitwright.catalogue.model import Shop
from kitwright.documents.ticket_words import consent_told, terms_told
from kitwright.errors import KitwrightError
from kitwright.keeping import tickets
from kitwright.keeping.record import Machine, Means, StorageTerms, Ticket
from kitwright.keeping.store import Records
from kitwright.language.scribe import Scribe
from kitwright.money import Money
from kitwright.quote import Amount, amount_of
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.units import exact
from kitwright.web.calls.amounts import read_amount, read_amount_or_none
from kitwright.web.calls.call import Call, answer
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.ids import (
    CUSTOMER,
    MACHINE,
    TICKET,
    CustomerId,
    MachineId,
    QuoteId,
    read_id,
    read_id_or_none,
)
from kitwright.web.calls.paged import page_of
from kitwright.web.calls.reckoning import known
from kitwright.web.calls.shown import ListOut, extended
from kitwright.web.calls.ticket_paper import paper_of_ticket
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import DecimalIn, Id, Lines, PageCursor, PageLimit, Text, Wire


class TicketIn(Wire, frozen=True, kw_only=True):
    """A machine that is taken in before any test, the complete record.

    `brought_by` is who brings it, if not the customer. `fee` is the price of the diagnosis (null:
    the shop's), and `most` the highest that finding the fault may cost without asking (null: the
    fee). Both include tax if the shop's prices do. `language` is that of the ticket (null: the
    customer's, else the shop's).
    """

    customer: CustomerId
    machine: MachineId
    complaint: Lines
    brought_by: Text | None = None
    accessories: Annotated[
        tuple[Text, ...], Meta(max_length=50, description="What came with the machine.")
    ] = ()
    fee: DecimalIn | None = None
    most: DecimalIn | None = None
    old_parts: Annotated[
        bool, Meta(description="Whether the customer wants the old parts back.")
    ] = False
    language: Id | None = None


class AgreeIn(Wire, frozen=True, kw_only=True):
    """A customer's agreement to a ticket, such as by a signature at the counter."""

    who: Text
    means: Literal["in_person", "telephone", "email"] = "in_person"


class KeptTicketOut(Ticket, frozen=True, kw_only=True):
    """A ticket, with the text that its customer agrees to and the quotes that name it."""

    text: str
    quotes: tuple[QuoteId, ...]


class TicketsQuery(Wire, frozen=True, kw_only=True):
    """Which tickets, newest first."""

    customer: Annotated[CustomerId | None, Meta(description="Of this customer, by id.")] = None
    machine: Annotated[MachineId | None, Meta(description="Of this machine, by id.")] = None
    limit: PageLimit = 50
    cursor: PageCursor = ""


class MostBelowFee(RequestFault):
    """A limit for the diagnosis that is below its fee."""

    code = "most-below-fee"

    def __init__(self, most: Money, fee: Money) -> None:
        super().__init__(
            f"finding the fault costs {fee.amount_text}, so it can't be limited to "
            f"{most.amount_text}"
        )
        self.most = most
        self.fee = fee


@operation(
    "POST /v1/tickets",
    "createTicket",
    "tickets",
    "unknown-record",
    "request-refused",
    status=201,
)
def create(records: Records, call: Call, body: TicketIn) -> Reply[KeptTicketOut]:
    """Take a machine in.

    Keeps a ticket before any test: whose machine it is and who brings it, what came with it, the
    complaint, what finding the fault costs, and the shop's terms for storage, fetching and parts.
    The customer agrees to it at the counter or by a link. Quotes may name it in `ticket`.
    """
    ticket = _read(records, call, body)
    return _told(records, call, tickets.add_ticket(records, call.stamp, ticket), is_new=True)


@operation("GET /v1/tickets", "listTickets", "tickets", "unknown-record")
def find(records: Records, call: Call, query: TicketsQuery) -> Reply[ListOut[Ticket]]:
    """Find tickets, newest first: those of a customer or a machine, or all."""
    customer = read_id_or_none(CUSTOMER, query.customer)
    machine = read_id_or_none(MACHINE, query.machine)
    return page_of(
        call.operation.path,
        query,
        lambda before, most: records.tickets.find(customer, machine, before, most),
    )


@operation("GET /v1/tickets/{id}", "getTicket", "tickets")
def get(records: Records, call: Call) -> Reply[KeptTicketOut]:
    """Get a ticket, with the quotes that name it."""
    return _told(records, call, call.record(TICKET, records.tickets.get))


@operation("PUT /v1/tickets/{id}", "changeTicket", "tickets", "act-refused", "request-refused")
def change(records: Records, call: Call, body: TicketIn) -> Reply[KeptTicketOut]:
    """Change a ticket that nobody agreed to yet.

    Replaces the complete record. Links that were made before no longer lead to it.
    """
    before = call.checked(TICKET, records.tickets.get)
    ticket = _read(records, call, body)
    return _told(records, call, tickets.change_ticket(records, call.stamp, before, ticket))


@operation(
    "POST /v1/tickets/{id}/agree", "agreeToTicket", "tickets", "act-refused", is_guarded=True
)
def agree(records: Records, call: Call, body: AgreeIn) -> Reply[KeptTicketOut]:
    """Record that the customer agreed to a ticket.

    From then on it never changes. Agreeing again with the same name and means has no effect.
    """
    before = call.checked(TICKET, records.tickets.get)
    means = Means(body.means)
    agreed = tickets.agree_to_ticket(records, call.stamp, before, body.who, means)
    return _told(records, call, agreed)


def _told(
    records: Records, call: Call, ticket: Ticket, *, is_new: bool = False
) -> Reply[KeptTicketOut]:
    shop = call.desk.service.workshop.shop
    quotes = tuple(f"Q{one.number}" for one in records.quotes.of_ticket(ticket.number))
    paper = paper_of_ticket(call.desk, records, ticket)
    text = consent_told(paper, Scribe(ticket.language), shop)
    told = extended(KeptTicketOut, ticket, text=text, quotes=quotes)
    return answer(call.desk, told, is_new=is_new)


def _read(records: Records, call: Call, asked: TicketIn) -> Ticket:
    """Return the ticket of a call's body, without a number. Raises: Refusal, RequestRefused."""
    desk = call.desk
    shop = desk.service.workshop.shop
    customer = read_id(CUSTOMER, asked.customer)
    person, machine = known(records, customer, read_id(MACHINE, asked.machine))
    fee = (
        Money.of(shop.fees.diagnostic, shop.currency)
        if asked.fee is None
        else read_amount(asked.fee, shop.currency, "fee")
    )
    most = read_amount_or_none(asked.most, shop.currency, "most")
    language = asked.language or (person and person.language) or shop.language
    faults = list(_faults(desk, language, fee, most))
    if faults:
        raise RequestRefused(faults)
    assert isinstance(machine, Machine)
    return Ticket(
        number=0,
        version=1,
        customer=customer,
        machine=machine.number,
        brought_by=asked.brought_by,
        accessories=asked.accessories,
        complaint=asked.complaint,
        fee=fee,
        most=most,
        old_parts=asked.old_parts,
        language=language,
        terms=tuple(terms_told(shop, Scribe(language))),
        storage=_storage_terms(shop),
        sha256="",
        made_at=call.stamp.at,
        day=call.stamp.today,
    )


def _storage_terms(shop: Shop) -> StorageTerms | None:
    storage = shop.fees.storage
    if storage is None:
        return None

    def priced(figure: Decimal) -> Amount:
        return amount_of(Money.of(exact(figure), shop.currency))

    return StorageTerms(
        grace_days=storage.grace_days,
        per_day=priced(storage.per_day),
        most=None if storage.most is None else priced(storage.most),
    )


def _faults(desk: Desk, language: str, fee: Money, most: Money | None) -> Iterator[KitwrightError]:
    yield from desk.service.unspoken(language)
    if most is not None and most < fee:
        yield MostBelowFee(most, fee).at("most")
