"""Reckoning: computes a stored quote's figures, with what is known of its customer and machine."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date, datetime
from fractions import Fraction
from typing import Annotated

import msgspec
from msgspec import UNSET, Meta, UnsetType, structs

from kitwright.catalogue.model import SERIAL_MAX, AreaId, ItemId, Quality
from kitwright.errors import KitwrightError
from kitwright.keeping.charges import charged_for
from kitwright.keeping.clock import spans_of
from kitwright.keeping.order_progress import held_by
from kitwright.keeping.record import Customer, Machine, QuoteState, Revision
from kitwright.keeping.store import Records
from kitwright.keeping.sums import Reckoning, ShelfRow, written_reckoning
from kitwright.keeping.tickets import charging_quote
from kitwright.money import Money, digits, round_ratio
from kitwright.quote import CourseName, Quote, encode_quote
from kitwright.stages.ordering import Packs
from kitwright.stages.outcome import Outcome
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.stages.supply import Held, Stock
from kitwright.units import mixed
from kitwright.web.calls.change import ChangeIn, tell_change
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.ids import (
    CUSTOMER,
    MACHINE,
    NOUNS,
    TICKET,
    CustomerId,
    MachineId,
    TicketId,
    read_id_or_none,
    written,
)
from kitwright.web.calls.judging import judged, of_visit
from kitwright.web.calls.needed import with_needed
from kitwright.web.calls.placing import goods_cost, packs_held
from kitwright.web.calls.service import EstimatesOn, Service
from kitwright.web.calls.wire import MOST_JOBS, ExemptionIn, Jobs, PreviewIn
from kitwright.web.edge.shapes import DecimalIn, Id, Text, Wire


class ChosenIn(Wire, frozen=True, kw_only=True):
    """What a customer chose of an offer: of which revision, the course, and the jobs left out and
    the extras added, sorted.
    """

    revision: Annotated[int, Meta(ge=1, le=SERIAL_MAX)]
    course: CourseName | None = None
    leave_out: Annotated[Jobs, Meta(max_length=MOST_JOBS)] = ()
    extras: Annotated[Jobs, Meta(max_length=MOST_JOBS)] = ()


class OrderedPacksIn(Wire, frozen=True, kw_only=True):
    """Packs of a SKU that were ordered, of `size` items each, and a `fraction` of one more, which
    several quotes share. `here` is no longer read: requests that were kept before have it.
    """

    supplier: Id
    sku: Text
    item: Id
    size: Annotated[int, Meta(ge=1, le=SERIAL_MAX)]
    packs: Annotated[int, Meta(ge=0, le=SERIAL_MAX)]
    fraction: Text | None = None
    here: bool | UnsetType = UNSET


class OrderedIn(Wire, frozen=True, kw_only=True):
    """What was ordered for a quote before; what suppliers charged it in freight and fees for that;
    and what the goods cost: in the shop's currency, without tax.
    """

    packs: Annotated[tuple[OrderedPacksIn, ...], Meta(max_length=1_000)]
    charged: DecimalIn
    goods: DecimalIn = "0"


class UnderwayIn(Wire, frozen=True, kw_only=True):
    """How far the agreed work is: whether it has begun, the minutes that were clocked on it, and
    the last day that was promised for what is still to come.
    """

    has_begun: bool = False
    minutes: Annotated[int, Meta(ge=0, le=1_000_000_000)] = 0
    due_on: date | None = None


class QuoteIn(PreviewIn, frozen=True, kw_only=True):
    """A quote to keep: all that a preview takes, and whom and which machine it is for.

    What is left out here and known of the customer (language, exemption) or of the machine
    (serial, build code, chassis) is taken from there. Customer, machine, complaint and the fee for
    the diagnosis are those of the `ticket`, if one is named and they are left out; else customer
    and machine are those of the visit that it `comes_back` from.
    """

    contingencies: Annotated[
        bool, Meta(description="Whether what may turn up is priced as well, for documents too.")
    ] = True
    customer: CustomerId | None = None
    machine: MachineId | None = None
    ticket: Annotated[
        TicketId | None, Meta(description="The ticket that the machine was taken in with.")
    ] = None
    diagnostic_done: Annotated[
        bool | None,
        Meta(
            description="Whether the diagnosis is charged; null: with a ticket, if no other quote "
            "of it charges it, else not."
        ),
    ] = None
    chosen: Annotated[
        ChosenIn | UnsetType | None,
        Meta(description="Set by this service on what a customer chose; ignored in requests."),
    ] = UNSET
    change: Annotated[
        ChangeIn | UnsetType | None,
        Meta(description="Set by this service on what was found; ignored in requests."),
    ] = UNSET
    ordered: Annotated[
        OrderedIn | UnsetType | None,
        Meta(description="Set by this service on what was ordered before; ignored in requests."),
    ] = UNSET
    underway: Annotated[
        UnderwayIn | UnsetType | None,
        Meta(description="Set by this service on how far agreed work is; ignored in requests."),
    ] = UNSET


class MachineDiffers(RequestFault):
    """A request for another engine than the machine's."""

    code = "machine-differs"

    def __init__(self, member: str, given: object, known: object) -> None:
        super().__init__(f"the machine's {member} is {known}, not {given}")
        self.member = member
        self.given = given
        self.known = known


class RecordUnknown(RequestFault):
    """A customer, machine or ticket that is not kept, or was erased."""

    code = "no-such-record"

    def __init__(self, text: str) -> None:
        super().__init__(f"{text} is not kept here, or was erased")
        self.text = text


async def reckon(desk: Desk, asked: QuoteIn, quote: int | None = None) -> Revision:
    """Return the revision that a request comes to, once it is filled from its customer and machine.
    What a quote has of the shelf counts as free for itself, and what was ordered for it is not
    bought again.

    Raises: RequestRefused, and the errors of the stages.
    """
    filled, stock, now = filled_of(desk, asked, quote), desk.stock(quote), desk.now()
    estimates = desk.estimates_on()
    if filled.looks_ahead:
        return await desk.beside(figures_of, filled, stock, estimates, now)
    return figures_of(desk.service, filled, stock, estimates, now)


def filled_of(desk: Desk, asked: QuoteIn, quote: int | None = None) -> QuoteIn:
    """Return a request filled from its ticket, customer and machine, with its day. `quote` is the
    number of the quote that it is for, None of a new one.

    Raises: RequestRefused.
    """
    asked = desk.store.read(lambda records: with_ticket(records, asked, quote))
    found = desk.store.read(lambda records: of_visit(records, asked.comes_back))
    left = {name: known for name, known in found.items() if getattr(asked, name) is None}
    asked = structs.replace(asked, **left)
    numbers = (
        read_id_or_none(CUSTOMER, asked.customer),
        read_id_or_none(MACHINE, asked.machine),
    )
    customer, machine = desk.store.read(lambda records: known(records, *numbers, asked))
    filled = structs.replace(_filled(desk, asked, customer, machine), on=asked.on or desk.today())
    filled = desk.store.read(lambda records: judged(desk, records, filled, quote))
    if quote is None:
        return filled
    before = desk.store.read(lambda records: _ordered(desk, records, quote))
    so_far = desk.store.read(lambda records: _underway(desk, records, quote))
    return structs.replace(filled, ordered=before, underway=so_far)


def with_ticket(records: Records, asked: QuoteIn, quote: int | None) -> QuoteIn:
    """Return a request with what it leaves to its ticket.

    Raises: RequestRefused, if the ticket is not kept, or its customer was erased.
    """
    if asked.ticket is None:
        return structs.replace(asked, diagnostic_done=asked.diagnostic_done or False)
    number = read_id_or_none(TICKET, asked.ticket) or 0
    ticket = records.tickets.get(number)
    if ticket is None or ticket.erased_at is not None:
        raise RequestRefused([RecordUnknown(asked.ticket).at("ticket")])
    is_done = asked.diagnostic_done
    if is_done is None:
        is_done = charging_quote(records, number, quote) is None
    return structs.replace(
        asked,
        customer=asked.customer or written(CUSTOMER, ticket.customer),
        machine=asked.machine or written(MACHINE, ticket.machine),
        complaint=asked.complaint or ticket.complaint,
        diagnostic_fee=asked.diagnostic_fee or ticket.fee.amount_text,
        diagnostic_done=is_done,
    )


def _ordered(desk: Desk, records: Records, quote: int) -> OrderedIn | UnsetType:
    """Return what was ordered for a quote and is there or to come, unset if nothing was."""
    charged = charged_for(records, quote, desk.price_tolerance)
    if charged is None:
        return UNSET
    packs = map(_packs_in, packs_held(records, desk.service.workshop.catalogue, quote))
    cost = goods_cost(records, quote) * 10 ** digits(charged.currency)
    goods = Money(round_ratio(cost.numerator, cost.denominator), charged.currency)
    return OrderedIn(packs=tuple(packs), charged=charged.amount_text, goods=goods.amount_text)


def _packs_in(held: Packs) -> OrderedPacksIn:
    whole, fraction = mixed(Fraction(held.count))
    return OrderedPacksIn(
        supplier=held.supplier,
        sku=held.sku,
        item=held.item,
        size=held.size,
        packs=whole,
        fraction=fraction,
    )


def _underway(desk: Desk, records: Records, number: int) -> UnderwayIn | UnsetType:
    """Return how far the work of a quote is, unset if nothing is agreed."""
    quote = records.quotes.get(number)
    if quote is None or quote.agreed is None:
        return UNSET
    spans = spans_of(records.clock_entries.of_quote(number), desk.hours, desk.now())
    awaited = (line.promised for line, _ in held_by(records, number) if line.due)
    return UnderwayIn(
        has_begun=quote.state is QuoteState.in_work,
        minutes=sum(span.minutes for span in spans),
        due_on=max((day for day in awaited if day is not None), default=None),
    )


def figures_of(
    service: Service,
    filled: QuoteIn,
    stock: Stock,
    estimates: EstimatesOn,
    made_at: datetime,
) -> Revision:
    """Return the revision that a filled request comes to with some stock, by one service and the
    shop's own estimates.

    Raises: RequestRefused, and the errors of the stages.
    """
    outcome = service.work_out(filled, stock, estimates)
    totals = outcome.repair.totals
    quote = told(service, outcome, filled)
    return Revision(
        made_at=made_at,
        request=msgspec.json.encode(filled),
        answer=encode_quote(quote),
        reckoning=_reckoning(outcome, stock),
        catalogue_revision=service.revision,
        tax_state="unknown" if totals.gross is None else "known",
        is_provisional=outcome.is_provisional,
        net=totals.lines + totals.discount if totals.net is None else totals.net,
        gross=totals.gross,
        valid_until=outcome.valid_until,
        customer=read_id_or_none(CUSTOMER, filled.customer),
        machine=read_id_or_none(MACHINE, filled.machine),
    )


def told(service: Service, outcome: Outcome, filled: QuoteIn) -> Quote:
    """Return the quote of a filled request, with what was found."""
    quote = service.tell(outcome, filled)
    if not filled.change:
        return quote
    quote = structs.replace(quote, change=tell_change(filled.change, quote, service.overrun))
    return with_needed(quote, filled.change, service.speaker(filled.language))


def asked_of(revision: Revision) -> QuoteIn:
    """Return what a revision asked."""
    return msgspec.json.decode(revision.request, type=QuoteIn)


def of_today(desk: Desk, revision: Revision) -> QuoteIn:
    """Return what a revision asked, to be asked again today; on its own day where that is still to
    come.
    """
    asked, today = asked_of(revision), desk.today()
    return structs.replace(asked, on=max(asked.on or today, today))


def _reckoning(outcome: Outcome, stock: Stock) -> bytes:
    """Return how a quote's lines come to its totals, to be kept; nothing where no tax is known."""
    request, terms = outcome.request, outcome.request.asked.terms
    if request.tax_area is None:
        return b""
    return written_reckoning(
        Reckoning(
            area=request.tax_area,
            on=request.asked.on,
            exempt=tuple(sorted(request.exempt_kinds)),
            cash_step=outcome.shop.cash_step if terms.pays_cash else None,
            shelf=tuple(
                ShelfRow(
                    item=row.item,
                    quality=row.quality.value,
                    brand=row.brand,
                    bin=row.bin,
                    free=str(row.free),
                    cost=row.cost,
                )
                for rows in stock.rows.values()
                for row in rows
            ),
        )
    )


def shelf_of(rows: Iterable[ShelfRow]) -> Stock:
    """Return the stock that a revision was made with."""
    return Stock(
        Held(
            item=ItemId(row.item),
            quality=Quality(row.quality),
            brand=row.brand,
            bin=row.bin,
            free=Fraction(row.free),
            cost=row.cost,
        )
        for row in rows
    )


def known(
    records: Records, customer: int | None, machine: int | None, asked: QuoteIn | None = None
) -> tuple[Customer | None, Machine | None]:
    """Return the customer and the machine of a quote.

    Raises: RequestRefused, if one is not stored or was erased, maybe a moment ago, or if another
    machine is `asked` for.
    """
    person = None if customer is None else records.customers.get(customer)
    engine = None if machine is None else records.machines.get(machine)
    faults: list[KitwrightError] = []
    for letter, number, found in ((CUSTOMER, customer, person), (MACHINE, machine, engine)):
        if number is not None and (found is None or found.erased_at is not None):
            faults.append(RecordUnknown(written(letter, number)).at(NOUNS[letter]))
        elif asked is not None and isinstance(found, Machine):
            faults += _differing(asked, found)
    if faults:
        raise RequestRefused(faults)
    return person, engine


def _differing(asked: QuoteIn, machine: Machine) -> Iterator[KitwrightError]:
    for member in ("family", "serial", "build_code", "chassis"):
        given, known = getattr(asked, member), getattr(machine, member)
        if given is not None and known is not None and given != known:
            yield MachineDiffers(member.replace("_", " "), given, known).at(member)


def _filled(
    desk: Desk, asked: QuoteIn, customer: Customer | None, machine: Machine | None
) -> QuoteIn:
    """Return a request with what is known of its customer and machine."""
    found: dict[str, object] = {}
    if machine is not None:
        for member in ("serial", "build_code", "chassis"):
            if getattr(asked, member) is None:
                found[member] = getattr(machine, member)
    if customer is not None:
        if asked.language is None and customer.language is not None:
            found["language"] = customer.language
        certificate, until = customer.certificate_number, customer.certificate_until
        # one that has run out would be refused, and nobody asked for it here
        holds = until is not None and until >= (asked.on or desk.today())
        is_open = asked.exemption is None and _knows_exemptions(desk, asked)
        if is_open and certificate is not None and until is not None and holds:
            found["exemption"] = ExemptionIn(certificate_number=certificate, valid_until=until)
    return structs.replace(asked, **found) if found else asked


def _knows_exemptions(desk: Desk, asked: QuoteIn) -> bool:
    """Return whether the tax area of a request frees anybody: elsewhere a certificate says nothing,
    and a customer who has one is quoted like everybody.
    """
    workshop = desk.service.workshop
    given = asked.tax_area
    name = workshop.shop.tax_area if given is UNSET else given
    area = None if name is None else workshop.catalogue.tax_areas.get(AreaId(name))
    return area is not None and area.exemption is not None
