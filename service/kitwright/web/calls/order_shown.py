"""Order shown: an order in answers, with its lines as they stand and what each quote has of it."""

from __future__ import annotations

from datetime import date
from fractions import Fraction
from typing import Annotated

from msgspec import Meta, field

from kitwright.catalogue.model import ItemId, Quality, SupplierId
from kitwright.keeping.opening import pack_amount, unit_cost
from kitwright.keeping.order_acts import ORDER_ACTS, LineTerms, possible_order_acts
from kitwright.keeping.order_entry import ReturnReason
from kitwright.keeping.order_progress import LineState, Progress, progress_of
from kitwright.keeping.record import Allocation, KeptOrder
from kitwright.keeping.store import Records
from kitwright.money import Money
from kitwright.quote import Count, DecimalText
from kitwright.units import exact
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.shown import Out, extended

_ACTS = "\n".join(
    (
        "What the order's state leaves room for, and by which call:",
        "",
        "| act | call |",
        "| --- | --- |",
        *(f"| `{act}` | `POST /v1/orders/{{id}}/{act}` |" for act in sorted(ORDER_ACTS)),
    )
)


class OrderLineStateOut(Out, frozen=True, kw_only=True):
    """A line of an order as it stands, in packs. `due` are still to come.

    `promised` is null if no day is promised. `waiting` are the packs that should go back because
    they arrived damaged, are other goods or are too many. `credit` is what the supplier should
    credit for what went back, and `overbilled` the packs that it billed, although they neither came
    nor are to come. Goods that are not needed may go back until `return_by`, and `cores` old parts
    until `core_by`; null: never, or none has arrived.
    """

    line: Count
    sku: str
    packs: Count
    cancelled: Count
    received: Count
    due: Count
    over: Count
    damaged: Count
    wrong: Count
    returned: Count
    billed: Count
    overbilled: Count
    waiting: Count
    credit: Money
    promised: date | None
    is_back_order: bool = field(name="back_order")
    is_disputed: bool = field(name="disputed")
    unit_cost: DecimalText
    return_by: date | None
    cores: Count
    core_by: date | None


class OrderOut(KeptOrder, frozen=True, kw_only=True):
    """An order to one supplier for accepted revisions, as it was placed, and as it stands.

    `quote` and `revision` are null if it is for several quotes. `allocations` say what each has of
    it: their amounts add up to the order's, their packs to no more, since what is left of a pack
    that several share is for none of them. `reference` is the supplier's own number for it.
    """

    reference: str | None
    sent_by: str | None
    allocations: tuple[Allocation, ...]
    lines: tuple[OrderLineStateOut, ...]
    acts: Annotated[tuple[str, ...], Meta(description=_ACTS)]


def order_out(desk: Desk, records: Records, order: KeptOrder) -> OrderOut:
    """Return an order as it is shown."""
    return extended(OrderOut, order, **members_of(desk, records, order))


def members_of(desk: Desk, records: Records, order: KeptOrder) -> dict[str, object]:
    """Return what is shown of an order besides its record, by member."""
    now, today = progress_of(records, order), desk.today()
    return {
        "reference": now.number,
        "sent_by": now.sent_by,
        "allocations": records.allocations.of_order(order.number),
        "lines": tuple(_line(desk, line) for line in now.lines),
        "acts": possible_order_acts(records, now, lambda line: terms_of(desk, line), today),
    }


def _line(desk: Desk, line: LineState) -> OrderLineStateOut:
    terms = terms_of(desk, line)
    faulty = (ReturnReason.damaged, ReturnReason.wrong, ReturnReason.over)
    return OrderLineStateOut(
        line=line.line,
        sku=line.placed.sku,
        packs=line.placed.packs,
        cancelled=line.cancelled,
        received=line.received,
        due=line.due,
        over=line.over,
        damaged=line.damaged,
        wrong=line.wrong,
        returned=sum(n for why, n in line.back.items() if why is not ReturnReason.core),
        billed=line.billed,
        overbilled=line.overbilled,
        waiting=sum(line.waiting(why) for why in faulty),
        credit=Money(line.credit, line.placed.net.currency),
        promised=line.promised if line.due else None,
        is_back_order=line.is_back_order,
        is_disputed=line.is_disputed,
        unit_cost=line.unit_cost,
        return_by=terms.return_by(line),
        cores=terms.cores(line),
        core_by=terms.core_by(line),
    )


def terms_of(desk: Desk, line: LineState) -> LineTerms:
    """Return the terms of a line by today's catalogue."""
    workshop, placed = desk.service.workshop, line.placed
    item = ItemId(placed.item)
    supplier = workshop.catalogue.suppliers.get(SupplierId(line.supplier))
    per_pack = pack_amount(workshop.catalogue, item) * placed.pack_size
    cost = unit_cost(Fraction(line.unit_cost), placed.net.currency, per_pack)
    part = workshop.catalogue.parts.get(item)
    listed = None if supplier is None else supplier.price_list or workshop.shop.price_list
    deposit = None if part is None or listed is None else part.core_deposit.get(listed)
    core = None if deposit is None else Money.of(deposit, placed.net.currency)
    return LineTerms(
        per_pack=per_pack,
        quality=_quality(desk, line),
        cost=cost,
        restock_percent=Fraction(0) if supplier is None else exact(supplier.restock_percent),
        # what was made for one customer is never taken back
        return_days=None
        if supplier is None or supplier.is_special(placed.sku)
        else supplier.return_days,
        core_days=None if supplier is None else supplier.core_days or None,
        core=core,
        pieces=placed.pack_size,
    )


def _quality(desk: Desk, line: LineState) -> Quality:
    """Return the quality of a line's goods: as it was ordered, else as it is offered today."""
    ordered = next((one.quality for one in line.holders if one.quality is not None), None)
    if ordered is not None:
        return Quality(ordered)
    sources = desk.service.workshop.supply.sources.get(ItemId(line.placed.item), ())
    found = (
        source.quality
        for source in sources
        if (source.supplier.id, source.sku) == (line.supplier, line.placed.sku)
    )
    return next(found, Quality.alternate)


def promises_of(now: Progress) -> dict[int, date | None]:
    """Return the day promised for each line of which packs are still to come."""
    return {line.line: line.promised for line in now.lines if line.due}
