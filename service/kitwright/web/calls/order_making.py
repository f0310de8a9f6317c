"""Order making: what agreed revisions still need is ordered, in one order for each supplier."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime
from fractions import Fraction
from typing import Final, NamedTuple

import msgspec

from kitwright.catalogue.model import SupplierId
from kitwright.errors import KitwrightError
from kitwright.keeping import life
from kitwright.keeping.acts import check_act
from kitwright.keeping.event import add_event
from kitwright.keeping.order_progress import orders_of
from kitwright.keeping.record import (
    Allocation,
    KeptOrder,
    KeptQuote,
    OrderState,
    QuoteState,
    Stamp,
)
from kitwright.keeping.reserving import reserve_missing, shortages
from kitwright.keeping.store import Records
from kitwright.quote import AllottedLine, Quote, amount_of, read_quote
from kitwright.solve.buying import SolverFailed
from kitwright.stages.ordering import (
    Allotment,
    FollowUp,
    JointOrder,
    NotOrderable,
    PartsOrder,
    buy_missing,
    buy_together,
    join_orders,
    joined,
    landed_of,
    plan_follow_up,
)
from kitwright.telling import tell_covers, tell_order
from kitwright.units import mixed
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.goods_here import absent_lines
from kitwright.web.calls.ids import QUOTE, written
from kitwright.web.calls.placing import (
    awaited_places,
    items_in,
    missing_of,
    packs_held,
    packs_of,
    waiting_steps,
)
from kitwright.web.calls.reckoning import asked_of
from kitwright.workshop import Workshop

MOST_NODES: Final = 1_000
"""The most nodes of the search for a purchase: a second, usually less. Twenty times as many found
purchases that cost a thousandth less.
"""


class Need(NamedTuple):
    """The orders that a quote still needs if placed now, its items' names in its language, the
    items that were ordered for it before, and its agreed revision.
    """

    quote: KeptQuote
    follow_up: FollowUp
    names: Mapping[str, str]
    ordered: frozenset[str]
    agreed: Quote
    needed_by: date | None


class Made(NamedTuple):
    """An order that was placed, and its part for each need, in the order of the allocations."""

    order: KeptOrder
    joint: JointOrder


def plan_need(desk: Desk, records: Records, quote: KeptQuote, now: datetime) -> Need:
    """Return the orders that the agreed revision of a quote still needs. What it takes from stock
    and does not have of the shelf is bought. An order is placed `now`.

    Raises: NoSuchRevision if none is agreed; NotOrderable.
    """
    workshop = desk.service.workshop
    revision = life.revision_of(records, quote, quote.agreed or 0)
    agreed = read_quote(revision.answer)
    needed_by = asked_of(revision).needed_by
    short = buy_missing(
        workshop.market,
        missing_of(agreed.kit, shortages(records, quote)),
        on=desk.today(now),
        needed_by=needed_by,
    )
    placed = packs_held(records, workshop.catalogue, quote.number)
    plan = plan_follow_up(
        workshop.catalogue,
        workshop.shop,
        workshop.supply,
        joined([*(packs for order in agreed.orders for packs in packs_of(order)), *short]),
        placed,
        desk.order_days(now),
    )
    speaker = desk.service.speaker(agreed.language)
    names: dict[str, str] = {packs.item: speaker.item(packs.item) for packs in short}
    names |= {line.item: line.name for order in agreed.orders for line in order.lines}
    return Need(quote, plan, names, items_in(placed), agreed, needed_by)


class Supplying(NamedTuple):
    """Whether all parts orders of a quote are made, and no part is unavailable; whether orders that
    are not made can be; whether none is left to be made and all that work under way needs is here;
    and whether work can begin with what is here.
    """

    is_supplied: bool
    is_orderable: bool
    is_here: bool
    can_begin: bool


UNSUPPLIED: Final = Supplying(is_supplied=False, is_orderable=False, is_here=True, can_begin=False)
"""How a quote stands for which nothing can be ordered."""


def supplying_of(desk: Desk, records: Records, quote: KeptQuote) -> Supplying:
    """Return whether the parts of an agreed revision are ordered, or can be, now."""
    try:
        need = plan_need(desk, records, quote, desk.now())
    except NotOrderable:
        return UNSUPPLIED._replace(is_here=is_here(desk, records, quote))
    revision = life.revision_of(records, quote, quote.agreed or 0)
    is_complete = not life.missing_parts(revision)
    is_ordered = not need.follow_up.orders
    return Supplying(
        is_supplied=is_ordered and is_complete,
        is_orderable=True,
        is_here=is_ordered and is_here(desk, records, quote),
        can_begin=is_complete and (is_ordered or can_begin(records, quote, need.agreed)),
    )


def is_here(desk: Desk, records: Records, quote: KeptQuote) -> bool:
    """Return whether all agreed goods of work that is under way are here; true of other work."""
    if quote.state is not QuoteState.in_work:
        return True
    agreed = read_quote(life.revision_of(records, quote, quote.agreed or 0).answer)
    catalogue = desk.service.workshop.catalogue
    return not any(absent_lines(records, catalogue, quote.number, agreed))


def can_begin(records: Records, quote: KeptQuote, agreed: Quote) -> bool:
    """Return whether the first step of the agreed work needs no part that is not here yet."""
    waiting = waiting_steps(agreed.work_plan, awaited_places(records, quote.number, agreed.kit))
    return not waiting or waiting[0].number > 1


def unordered(desk: Desk, records: Records, quote: KeptQuote, now: datetime) -> tuple[str, ...]:
    """Return the orders that the agreed revision of a quote still needs, each by what it asks for
    and its supplier. Raises: NotOrderable.
    """
    if quote.agreed is None:
        return ()
    return tuple(
        f"{', '.join(line.source.item for line in order.lines)} from {order.supplier.id}"
        for order in plan_need(desk, records, quote, now).follow_up.orders
    )


def reserve_and_plan(desk: Desk, records: Records, stamp: Stamp, quote: KeptQuote) -> Need:
    """Return the orders that a quote still needs, once what is short and free again is reserved.

    Raises: NotNow, NotOrderable.
    """
    check_act("order", quote)
    need = plan_need(desk, records, quote, stamp.at)
    if need.follow_up.orders and reserve_missing(records, stamp, quote, need.ordered):
        need = plan_need(desk, records, quote, stamp.at)
    return need


class Purchase(NamedTuple):
    """How some quotes' orders, asked for on some days, are bought together."""

    asked: Sequence[tuple[PartsOrder, ...]]
    needed_by: Sequence[date | None]
    days: Mapping[SupplierId, date]
    joint: tuple[JointOrder, ...]


async def plan_purchase(desk: Desk, quotes: Sequence[int]) -> Purchase | None:
    """Return how the orders that quotes still need are bought at least landed cost; None if one of
    them can't be ordered now, or if these are the first orders of a single one: then its packs are
    those that were quoted.
    """
    if len(quotes) == 1 and not desk.store.read(lambda records: orders_of(records, quotes[0])):
        return None
    now, needs = desk.now(), []
    for number in quotes:

        def need_of(records: Records, number: int = number) -> Need | None:
            quote = records.quotes.get(number)
            return None if quote is None else plan_need(desk, records, quote, now)

        try:
            need = desk.store.read(need_of)
        except KitwrightError:
            return None
        if need is None:
            return None
        needs.append(need)
        # other calls are answered in between
        await asyncio.sleep(0)
    return await desk.purchases.run(_bought, desk.service.workshop, needs, desk.order_days(now))


def _bought(
    workshop: Workshop, needs: Sequence[Need], days: Mapping[SupplierId, date]
) -> Purchase | None:
    asked = [need.follow_up.orders for need in needs]
    needed_by = [need.needed_by for need in needs]
    try:
        basket = buy_together(workshop.market, asked, needed_by, days, most_nodes=MOST_NODES)
    except SolverFailed:
        return None
    return Purchase(asked, needed_by, days, basket.orders)


def place(
    desk: Desk,
    records: Records,
    stamp: Stamp,
    needs: Sequence[Need],
    purchase: Purchase | None = None,
) -> tuple[Made, ...]:
    """Store and return the orders of some needs, as drafts, one for each supplier: those of a
    purchase, if it is for just these needs and costs less, or else what each asks for.
    """
    workshop = desk.service.workshop
    asked = [need.follow_up.orders for need in needs]
    joint = join_orders(workshop.catalogue, workshop.shop, asked)
    wanted = asked, [need.needed_by for need in needs], desk.order_days(stamp.at)
    if purchase is not None and purchase[:3] == wanted:
        joint = min(joint, purchase.joint, key=lambda one: landed_of(workshop.shop, one))
    made = tuple(_place(desk, records, stamp, one, needs) for one in joint)
    for asker, need in enumerate(needs):
        count = sum(asker in (one.asker for one in each.joint.allotments) for each in made)
        if count or need.quote.state is QuoteState.accepted:
            life.ordered(records, stamp, need.quote, count)
    return made


def _place(
    desk: Desk, records: Records, stamp: Stamp, joint: JointOrder, needs: Sequence[Need]
) -> Made:
    asking = [needs[one.asker] for one in joint.allotments]
    only = asking[0].quote if len(asking) == 1 else None
    names = _names(desk, joint, asking)
    order = tell_order(joint.order, desk.today(stamp.at), names.__getitem__)
    kept = records.orders.add(
        KeptOrder(
            number=0,
            version=1,
            state=OrderState.draft,
            quote=None if only is None else only.number,
            revision=None if only is None else only.agreed,
            supplier=joint.order.supplier.id,
            net=joint.order.net,
            made_at=stamp.at,
            body=msgspec.json.encode(order),
        )
    )
    for need, one in zip(asking, joint.allotments, strict=True):
        records.allocations.add(
            Allocation(
                order=kept.number,
                quote=need.quote.number,
                revision=need.quote.agreed or 0,
                goods=one.goods,
                fees=one.fees,
                freight=one.freight,
                lines=msgspec.json.encode(tuple(_lines(one))),
            )
        )
    add_event(
        records,
        stamp,
        "order.created",
        f"order:{kept.number}",
        {
            "quote": None if only is None else written(QUOTE, only.number),
            "quotes": len(asking),
            "supplier": kept.supplier,
        },
    )
    return Made(kept, joint)


def _names(desk: Desk, joint: JointOrder, asking: Sequence[Need]) -> Mapping[str, str]:
    """Return the names of an order's items: in the language of its quotes, or of the shop if they
    have several.
    """
    languages = {need.agreed.language for need in asking}
    known = {item: name for need in reversed(asking) for item, name in need.names.items()}
    if len(languages) == 1:
        return known
    speaker = desk.service.speaker(None)
    spoken = {one.source.item: speaker.item(one.source.item) for one in joint.order.lines}
    # an item that the catalogue no longer has is named as it was quoted
    return known | {item: name for item, name in spoken.items() if name != item}


def _lines(allotment: Allotment) -> Iterator[AllottedLine]:
    for one in allotment.portions:
        whole, fraction = mixed(Fraction(one.packs))
        yield AllottedLine(
            line=one.line,
            packs=whole,
            fraction=fraction,
            quality=one.quality.value,
            net=amount_of(one.net),
            covers=tell_covers(one.covers),
        )
