"""Placing: passes a quote's revision and stored orders to the core, which plans further orders."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from decimal import Decimal
from fractions import Fraction
from typing import Final

import msgspec
from msgspec import Struct

from kitwright.catalogue.model import ItemId, SupplierId
from kitwright.keeping import life
from kitwright.keeping.record import KeptQuote
from kitwright.keeping.store import Records
from kitwright.quote import Order, read_quote
from kitwright.stages.ordering import FollowUp, Packs, Use, plan_follow_up
from kitwright.stages.supply import day_of_order
from kitwright.web.calls.desk import Desk

_MOST: Final = 1_000_000


class Placing(Struct, frozen=True):
    """The orders planned for a quote, and the revision's item names, in its language."""

    plan: FollowUp
    names: Mapping[str, str]


def plan_placing(desk: Desk, records: Records, quote: KeptQuote, now: datetime) -> Placing:
    """Return the orders that the agreed revision of a quote still needs, if placed now.

    Raises: NoSuchRevision if none is agreed; SupplierGone.
    """
    workshop = desk.service.workshop
    revision = life.revision_of(records, quote, quote.agreed or 0)
    wanted = read_quote(revision.answer).orders
    placed = records.orders.find(quote.number, None, None, _MOST)
    plan = plan_follow_up(
        workshop.catalogue,
        workshop.shop,
        workshop.supply,
        [packs for order in wanted for packs in _packs(order)],
        [packs for kept in placed for packs in _packs(msgspec.json.decode(kept.body, type=Order))],
        {
            supplier.id: day_of_order(supplier, desk.clock(now, supplier.time_zone))
            for supplier in workshop.catalogue.suppliers.values()
        },
    )
    return Placing(plan, {line.item: line.name for order in wanted for line in order.lines})


def unordered(desk: Desk, records: Records, quote: KeptQuote, now: datetime) -> int:
    """Return how many orders the agreed revision of a quote still needs. Raises: SupplierGone."""
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
            covers=tuple(
                Use(
                    role=cover.role,
                    cylinder=cover.cylinder,
                    item=ItemId(cover.part),
                    number=ItemId(cover.fitted or cover.part),
                    quantity=Fraction(cover.quantity),
                )
                for cover in line.covers
            ),
        )
