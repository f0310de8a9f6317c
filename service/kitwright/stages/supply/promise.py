"""Promise: when what is ordered should be there, by the working days of who sends and who gets."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date, datetime, time, timedelta
from typing import Final

from kitwright.catalogue.model import Shop, Supplier
from kitwright.stages.supply.supply import Source

_WEEKDAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def working_day(shop: Shop, day: date, days: int) -> date:
    """Return the shop's working day that lies `days` working days after `day`.

    Counting starts on `day` itself where it is a working day, else on the next one.
    """
    return _after(shop.working_days, shop.holidays, day, days)


def promise(shop: Shop, source: Source, on: date) -> date:
    """Return when an item ordered on a day, before the supplier's cutoff, is promised to be
    there.
    """
    return arrival(shop, source.supplier, source.lead_days, on)


def arrival(shop: Shop, supplier: Supplier, lead_days: int, on: date) -> date:
    """Return the shop's working day on which something should come that leaves on the first of the
    supplier's from `on`, and takes so many of them.

    A supplier whose file says nothing of its days works on the shop's.
    """
    week = shop.working_days if supplier.working_days is None else supplier.working_days
    closed = shop.holidays if supplier.holidays is None else supplier.holidays
    return working_day(shop, _after(week, closed, on, lead_days), 0)


def day_of_order(supplier: Supplier, there: datetime) -> date:
    """Return the day that an order counts for: its own, or after the cutoff the next.

    `there` is the moment by the clock where the cutoff holds. The cutoff itself is in time.
    """
    is_late = there.time() > time.fromisoformat(supplier.cutoff)
    return there.date() + timedelta(days=int(is_late))


def _after(week: Collection[str], closed: Collection[date], day: date, days: int) -> date:
    open_days = {_WEEKDAYS.index(name) for name in week}
    left = days
    while True:
        if day.weekday() in open_days and day not in closed:
            if left == 0:
                return day
            left -= 1
        day += timedelta(days=1)
