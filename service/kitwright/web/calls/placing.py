"""Placing: passes a quote's revision and stored orders to the core, which plans further orders."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from typing import Final

import msgspec
from msgspec import Struct

from kitwright.catalogue.model import ItemId, Quality, SupplierId
from kitwright.keeping import life
from kitwright.keeping.ledger import UNIT
from kitwright.keeping.record import KeptQuote
from kitwright.keeping.reserving import Shortage, shortages
from kitwright.keeping.store import Records
from kitwright.quote import Cover, Kit, Order, read_quote
from kitwright.stages.ordering import (
    FollowUp,
    Missing,
    Packs,
    Use,
    buy_missing,
    joined,
    plan_follow_up,
    take_last,
)
from kitwright.stages.price import STOCK
from kitwright.stages.supply import day_of_order
from kitwright.web.calls.desk import Desk

_MOST: Final = 1_000_000


class _Needed(Struct, frozen=True):
    """The members that are read from a revision's request."""

    needed_by: date | None = None


_NEEDED: Final = msgspec.json.Decoder(_Needed)


class Placing(Struct, frozen=True):
    """The orders planned for a quote, the names of their items in its language, and the items
    ordered for it before.
    """

    plan: FollowUp
    names: Mapping[str, str]
    ordered: frozenset[str]


def plan_placing(desk: Desk, records: Records, quote: KeptQuote, now: datetime) -> Placing:
    """Return the orders that the agreed revision of a quote still needs, if placed now.

    What it takes from stock and does not have of the shelf is bought.

    Raises: NoSuchRevision if none is agreed; NotOrderable.
    """
    workshop = desk.service.workshop
    revision = life.revision_of(records, quote, quote.agreed or 0)
    answer = read_quote(revision.answer)
    wanted = [packs for order in answer.orders for packs in _packs(order)]
    names = {line.item: line.name for order in answer.orders for line in order.lines}
    short = buy_missing(
        workshop.market,
        _missing(answer.kit, shortages(records, quote)),
        on=desk.today(now),
        needed_by=_NEEDED.decode(revision.request).needed_by,
    )
    speaker = desk.service.speaker(answer.language)
    names |= {packs.item: speaker.item(packs.item) for packs in short}
    placed = [
        packs
        for kept in records.orders.find(quote.number, None, None, _MOST)
        for packs in _packs(msgspec.json.decode(kept.body, type=Order))
    ]
    plan = plan_follow_up(
        workshop.catalogue,
        workshop.shop,
        workshop.supply,
        joined([*wanted, *short]),
        placed,
        {
            supplier.id: day_of_order(supplier, desk.clock(now, supplier.time_zone))
            for supplier in workshop.catalogue.suppliers.values()
        },
    )
    ordered = {
        number for packs in placed for use in packs.covers for number in (use.item, use.number)
    }
    return Placing(plan, names, frozenset({*ordered, *(packs.item for packs in placed)}))


def _missing(kit: Kit, short: Iterable[Shortage]) -> Iterator[Missing]:
    """Yield the needs of a kit whose stock is short."""
    units = {(need.role, need.cylinder, need.part): need.measure for need in kit.needs}
    for one in short:
        taken = one.taken
        uses = [
            _use(cover)
            for pack in kit.packs
            if pack.source == STOCK and pack.item == taken.item
            for cover in pack.covers
        ]
        total = sum(
            Fraction(stock.quantity) for stock in kit.from_stock if stock.item == taken.item
        )
        for use in take_last(uses, Fraction(one.amount, UNIT) / total):
            yield Missing(
                use=use,
                unit=units.get((use.role, use.cylinder, use.item), "piece"),
                quality=Quality(taken.quality or Quality.maker),
            )


def unordered(desk: Desk, records: Records, quote: KeptQuote, now: datetime) -> int:
    """Return how many orders the agreed revision of a quote still needs. Raises: NotOrderable."""
    if quote.agreed is None:
        return 0
    return len(plan_placing(desk, records, quote, now).plan.orders)


def _packs(order: Order) -> Iterator[Packs]:
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


def _use(cover: Cover) -> Use:
    return Use(
        role=cover.role,
        cylinder=cover.cylinder,
        item=ItemId(cover.part),
        number=ItemId(cover.fitted or cover.part),
        quantity=Fraction(cover.quantity),
    )
