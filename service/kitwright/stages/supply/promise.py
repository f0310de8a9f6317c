"""Promise: the arrival day of an order, by the working days of the supplier and the shop."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from functools import lru_cache
from typing import Final

from kitwright.catalogue.model import Shop, Supplier
from kitwright.stages.supply.supply import Source

_WEEKDAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def working_day(shop: Shop, day: date, days: int) -> date:
    """Return the shop's working day that is `days` working days after `day`.

    Counting starts on `day` itself if it is a working day, else on the next working day.
    """
    return _after(shop.working_days, shop.holidays, day, days)


def promise(shop: Shop, source: Source, on: date) -> date:
    """Return the day on which an item should arrive if ordered on a day before the supplier's
    cutoff.
    """
    return arrival(shop, source.supplier, source.lead_days, on)


def arrival(shop: Shop, supplier: Supplier, lead_days: int, on: date) -> date:
    """Return the shop's working day on which a delivery should arrive.

    It starts on the supplier's first working day from `on`, and takes `lead_days` of its working
    days. If the supplier's file does not give its working days, the shop's apply.
    """
    week = shop.working_days if supplier.working_days is None else supplier.working_days
    closed = shop.holidays if supplier.holidays is None else supplier.holidays
    return working_day(shop, _after(week, closed, on, lead_days), 0)


def day_of_order(supplier: Supplier, there: datetime) -> date:
    """Return the day that an order counts for: its own day, or the next if it is after the cutoff.

    `there` is the local time in the time zone of the cutoff. An order at the cutoff is in time.
    """
    is_late = there.time() > time.fromisoformat(supplier.cutoff)
    return there.date() + timedelta(days=int(is_late))


@lru_cache(maxsize=4_096)
def _after(week: tuple[str, ...], closed: tuple[date, ...], day: date, days: int) -> date:
    open_days = {_WEEKDAYS.index(name) for name in week}
    left = days
    while True:
        if day.weekday() in open_days and day not in closed:
            if left == 0:
                return day
            left -= 1
        day += timedelta(days=1)
