"""Promise: when the parts of an order that is made now should be there."""

from __future__ import annotations

from datetime import datetime

from msgspec import structs

from kitwright.catalogue.model import ItemId, SupplierId
from kitwright.stages.supply import arrival, day_of_order, working_day
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.out import OrderOut


def promised_now(desk: Desk, order: OrderOut, now: datetime) -> OrderOut:
    """Return an order that is made now, with its promises by the clock where each supplier is.

    Lead times are those of the catalogue at hand; of what it does not sell any more, those that
    were quoted.
    """
    workshop, today = desk.service.workshop, desk.today(now)
    shop, supplier = workshop.shop, workshop.catalogue.suppliers.get(SupplierId(order.supplier))
    lines = []
    for line in order.lines:
        days = line.lead_days
        if supplier is None:
            promised = working_day(shop, today, days)
        else:
            for source in workshop.supply.sources.get(ItemId(line.item), ()):
                if (source.supplier.id, source.sku) == (supplier.id, line.sku):
                    days = source.lead_days
            there = desk.clock(now, supplier.time_zone)
            promised = arrival(shop, supplier, days, day_of_order(supplier, there))
        lines.append(structs.replace(line, lead_days=days, promised=promised))
    return structs.replace(
        order,
        lines=tuple(lines),
        ordered_on=today,
        promised=max(line.promised for line in lines),
    )
