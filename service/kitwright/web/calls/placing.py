"""Placing: reads what a revision's quote orders, what it takes from stock but is short of, what was
ordered for it, and what is here.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator
from decimal import Decimal
from fractions import Fraction

from msgspec import structs

from kitwright.catalogue.model import Catalogue, ItemId, Quality, SupplierId
from kitwright.keeping.ledger import UNIT
from kitwright.keeping.opening import pack_amount
from kitwright.keeping.order_progress import (
    Holder,
    LineState,
    arrived_for,
    held_by,
    orders_of,
    progress_of,
)
from kitwright.keeping.reserving import Shortage
from kitwright.keeping.store import Records
from kitwright.quote import Cover, Kit, Order, Step, WorkPlan
from kitwright.stages.ordering import Missing, Packs, Use, take_last
from kitwright.stages.price import CUSTOMER, STOCK

Arrival = tuple[ItemId, Quality | None, None, Fraction]
"""Goods of an order that arrived, in any bin: the item, its quality (None: not known), and how many
of it, as the stock counts it.
"""


def missing_of(kit: Kit, short: Iterable[Shortage]) -> Iterator[Missing]:
    """Yield the needs of a kit whose stock is short."""
    units = {(need.role, need.cylinder, need.part): need.measure for need in kit.needs}
    for one in short:
        item = one.taken.item
        uses = [
            _use(cover)
            for pack in kit.packs
            if pack.source == STOCK and pack.item == item
            for cover in pack.covers
        ]
        whole = sum(Fraction(stock.quantity) for stock in kit.from_stock if stock.item == item)
        for use in take_last(uses, Fraction(one.amount, UNIT) / whole):
            yield Missing(
                use=use,
                unit=units.get((use.role, use.cylinder, use.item), "piece"),
                quality=one.taken.quality or Quality.maker,
            )


def packs_of(order: Order) -> Iterator[Packs]:
    """Yield the lines of an order."""
    for line in order.lines:
        yield Packs(
            supplier=SupplierId(order.supplier),
            sku=line.sku,
            item=ItemId(line.item),
            brand=line.brand,
            count=line.packs,
            size=line.pack_size,
            unit_cost=Decimal(line.unit_cost),
            lead_days=line.lead_days,
            covers=tuple(map(_use, line.covers)),
        )


def goods_cost(records: Records, quote: int, besides: Collection[int] = ()) -> Fraction:
    """Return what the packs cost that are there or to come for a quote, in major units without tax;
    those of the orders `besides` are left out.
    """
    return sum(
        (
            holder.kept * Fraction(line.unit_cost)
            for order in orders_of(records, quote)
            if order.number not in besides
            for line in progress_of(records, order).lines
            for holder in line.holders
            if holder.quote == quote
        ),
        Fraction(0),
    )


def packs_held(
    records: Records, catalogue: Catalogue, quote: int, *, only_there: bool = False
) -> tuple[Packs, ...]:
    """Return the packs that are there or to come for a quote: without those that were cancelled,
    refused or sent back, and those of which others took what had arrived. With `only_there`, those
    to come are left out.
    """
    found = _counted(records, catalogue, quote, only_there=only_there)
    return tuple(_held(line, holder, count) for line, holder, count in found)


def arrivals(records: Records, catalogue: Catalogue, quote: int) -> Iterator[Arrival]:
    """Yield what came by the orders for a quote, with what it does not need of a pack."""
    for line, holder, count in _counted(records, catalogue, quote, only_there=True):
        quality = None if holder.quality is None else Quality(holder.quality)
        yield ItemId(line.placed.item), quality, None, count * line.placed.pack_size


def _counted(
    records: Records, catalogue: Catalogue, quote: int, *, only_there: bool
) -> Iterator[tuple[LineState, Holder, Fraction]]:
    """Yield the lines of a quote's orders, with what it has of each, and how many packs of that are
    there or, unless they are left out, to come.
    """
    lost = arrived_for(records, quote)
    for share in records.shelf.shares(quote):
        lost[share.holding.item] -= share.reserved + share.drawn
    for line, holder in held_by(records, quote):
        item = line.placed.item
        gone = max(0, min(lost[item], holder.amount))
        lost[item] -= gone
        kept = holder.there if only_there else holder.kept
        count = kept - -(-gone // (pack_amount(catalogue, item) * line.placed.pack_size))
        if count > 0:
            yield line, holder, Fraction(count)


def _held(line: LineState, holder: Holder, count: Fraction) -> Packs:
    """Return some of the packs of a line that are for a quote, with their part of its needs."""
    placed, part = line.placed, count / holder.packs
    return Packs(
        supplier=SupplierId(line.supplier),
        sku=placed.sku,
        item=ItemId(placed.item),
        brand=placed.brand,
        count=count,
        size=placed.pack_size,
        unit_cost=Decimal(placed.unit_cost),
        lead_days=placed.lead_days,
        covers=tuple(
            structs.replace(use, quantity=use.quantity * part) for use in map(_use, holder.covers)
        ),
    )


def awaited_places(records: Records, quote: int, kit: Kit) -> frozenset[tuple[str, int | None]]:
    """Return the roles, with their cylinders, whose part a quote does not have on the shelf yet, or
    not all of it. What its customer brings counts as there.
    """
    had = Counter[str]()
    for share in records.shelf.shares(quote):
        had[share.holding.item] += share.reserved + share.drawn
    needed = Counter[str]()
    for stock in kit.from_stock:
        needed[stock.item] += int(Fraction(stock.quantity) * UNIT)
    bought = [pack for pack in kit.packs if pack.source not in (STOCK, CUSTOMER)]
    for pack in bought:
        used = [Fraction(one.quantity) for one in pack.covers if one.fitted == pack.item]
        needed[pack.item] += int((sum(used) if used else Fraction(pack.packs)) * UNIT)
    return frozenset(
        (cover.role, cover.cylinder)
        for pack in kit.packs
        if had[pack.item] < needed[pack.item]
        for cover in pack.covers
    )


def waiting_steps(plan: WorkPlan, awaited: Collection[tuple[str, int | None]]) -> tuple[Step, ...]:
    """Return the steps of a plan that need a part that is not here, in their order."""
    return tuple(
        step for step in plan.steps if any((use.role, use.cylinder) in awaited for use in step.uses)
    )


def items_in(placed: Iterable[Packs]) -> frozenset[str]:
    """Return the items of some packs, those that they are needed for and those that are fitted."""
    items = set[str]()
    for packs in placed:
        items.add(packs.item)
        items.update(number for use in packs.covers for number in (use.item, use.number))
    return frozenset(items)


def _use(cover: Cover) -> Use:
    return Use(
        role=cover.role,
        cylinder=cover.cylinder,
        item=ItemId(cover.part),
        number=ItemId(cover.fitted or cover.part),
        quantity=Fraction(cover.quantity),
    )
