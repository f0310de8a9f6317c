"""Quote making: calls that keep new quotes, of one machine or of each of several."""

from __future__ import annotations

import msgspec
from msgspec import structs

from kitwright.keeping import life, people
from kitwright.keeping.record import Revision
from kitwright.keeping.set_off import is_billed
from kitwright.keeping.store import Records
from kitwright.keeping.tickets import check_charged_once
from kitwright.web.calls.call import Call, answer
from kitwright.web.calls.carrying import uncarried
from kitwright.web.calls.diagnosis_credit import diagnosis_credit, taken_of
from kitwright.web.calls.fleets import FleetOut, fleet_out
from kitwright.web.calls.handlers import Work, operation
from kitwright.web.calls.ids import FLEET, QUOTE, written
from kitwright.web.calls.quotes import KeptQuoteOut, whole_of
from kitwright.web.calls.reckoning import QuoteIn, asked_of, known, reckon
from kitwright.web.calls.shown import as_shown
from kitwright.web.calls.units import (
    NewQuoteIn,
    Unit,
    figures_of_units,
    for_machine,
    read_units,
)
from kitwright.web.calls.wire import DiscountIn
from kitwright.web.edge.reply import Reply


@operation(
    "POST /v1/quotes",
    "createQuote",
    "quotes",
    "request-refused",
    "catalogue-gap",
    "act-refused",
    "too-busy",
    status=201,
    answers_else=FleetOut,
)
async def create(call: Call, body: NewQuoteIn) -> Work[KeptQuoteOut]:
    """Quote a repair and keep it.

    Takes what a preview takes, and keeps the quote as a draft with its first revision. It may be
    revised until it is issued; after that every change is a new revision. With `units`, the same
    repair is quoted for each of several machines of the family: each has a quote of its own, with
    its own parts, to be accepted by itself, and all have the same `fleet`. What is on the shelf is
    promised once: each unit is quoted with what those before it leave. The answer is then the
    fleet. If one unit is refused, nothing is kept, and the errors say which unit it is.
    """
    if not body.units:
        return await _created(call, body.single())
    return await _fleet_created(call, body)


async def _fleet_created(call: Call, body: NewQuoteIn) -> Work[KeptQuoteOut]:
    """Return the work that keeps a quote for each unit of a request. They are computed beside the
    event loop, so that other calls are answered meanwhile.
    """
    desk = call.desk
    units = read_units(desk, uncarried(body.single()), body.units)
    figures = await figures_of_units(desk, units)

    def work(records: Records) -> Reply[KeptQuoteOut]:
        made = [_with_machine(records, call, *pair) for pair in zip(units, figures, strict=True)]
        fleet = life.keep_fleet(records, call.stamp, made)
        for quote in records.quotes.of_fleet(fleet):
            check_charged_once(records, quote)
        body = msgspec.json.encode(as_shown(fleet_out(desk, records, fleet)))
        return Reply(body=body, headers={"Location": f"/v1/fleets/{written(FLEET, fleet)}"})

    return work


def _with_machine(records: Records, call: Call, unit: Unit, figures: Revision) -> Revision:
    """Return a unit's revision, once the machine that it describes is kept."""
    known(records, figures.customer, figures.machine)
    if unit.machine is None:
        return figures
    machine = structs.replace(unit.machine, customer=figures.customer)
    return for_machine(figures, people.add_machine(records, call.stamp, machine))


async def _created(call: Call, asked: QuoteIn, copy_of: int | None = None) -> Work[KeptQuoteOut]:
    """Return the work that keeps a new quote."""
    desk, figures = call.desk, await reckon(call.desk, uncarried(asked))

    def work(records: Records) -> Reply[KeptQuoteOut]:
        known(records, figures.customer, figures.machine)
        quote = life.keep_quote(records, call.stamp, figures, copy_of=copy_of)
        check_charged_once(records, quote)
        return answer(desk, whole_of(desk, records, quote, figures), is_new=True)

    return work


@operation(
    "POST /v1/quotes/{id}/copy",
    "copyQuote",
    "quotes",
    "request-refused",
    "catalogue-gap",
    "act-refused",
    "too-busy",
    status=201,
)
async def copy(call: Call) -> Work[KeptQuoteOut]:
    """Quote the same again, as a new quote.

    Asks what the revision that is shown asked, today and by today's catalogue, and keeps it as a
    new draft for the same customer and machine, without the complaint, and without an earlier
    visit. If the offer was declined and its diagnosis billed, that is not charged again, and what
    the offer would have credited of it is taken off, by a discount. Only one agreed quote may take
    it off: once there is one, further copies have no such discount.
    """

    def shown(records: Records) -> tuple[Revision, frozenset[str], bool, DiscountIn | None]:
        quote = call.record(QUOTE, records.quotes.get)
        revision = life.revision_of(records, quote, quote.shown)
        taken = taken_of(records, asked_of(revision))
        return revision, taken, is_billed(records, quote), diagnosis_credit(records, quote)

    revision, taken, has_billed, credit = call.desk.store.read(shown)
    asked = asked_of(revision)
    again = structs.replace(
        asked,
        on=None,
        needed_by=None,
        complaint=None,
        comes_back=None,
        leave_out_additions=(),
        discounts=tuple(one for one in asked.discounts if one.by not in taken),
        # whether another quote of the ticket charges it is asked again
        diagnostic_done=asked.diagnostic_done if asked.ticket is None else None,
    )
    if credit is not None:
        discounts = (*again.discounts, credit)
        again = structs.replace(again, discounts=discounts)
    if credit is not None or (has_billed and asked.diagnostic_done):
        again = structs.replace(again, diagnostic_done=False)
    return await _created(call, again, copy_of=revision.quote)
