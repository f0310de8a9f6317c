"""Ready: the day on which what a repair waits for is there, and the day on which it is finished."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from kitwright.catalogue.model import Shop
from kitwright.stages.kit import Kit
from kitwright.stages.ordering import PartsOrder
from kitwright.stages.request import Asked
from kitwright.stages.supply import working_day
from kitwright.stages.work import Operation


def find_parts_by(
    shop: Shop,
    asked: Asked,
    kit: Kit,
    still: Iterable[PartsOrder],
    operations: Iterable[Operation],
) -> date | None:
    """Return the day by which all that is bought and all sublet work should be there, None if there
    is nothing to wait for, or if no source can supply some part.

    Args:
        still: the orders that are still to be placed. What was ordered before has the day that
            its suppliers promised.
        operations: those of the repair.
    """
    if kit.unfilled:
        return None
    days = [
        shop.sublet[operation.job.sublet].days
        for operation in operations
        if operation.job.sublet is not None
    ]
    goods_by = find_goods_by(asked, still)
    awaited = [] if goods_by is None else [goods_by]
    if days:
        # sublet work is done while parts are on their way, so the later of the two decides
        awaited.append(working_day(shop, asked.on, max(days)))
    return max(awaited, default=None)


def find_goods_by(asked: Asked, still: Iterable[PartsOrder]) -> date | None:
    """Return the day by which all that is bought should be there, None if nothing is to come."""
    awaited = [order.promised for order in still]
    if asked.underway is not None and asked.underway.due_on is not None:
        # promised for a day that is past, it is hoped for today
        awaited.append(max(asked.underway.due_on, asked.on))
    return max(awaited, default=None)


def find_ready_on(
    shop: Shop, asked: Asked, kit: Kit, parts_by: date | None, minutes: int
) -> date | None:
    """Return the day on which a repair is finished if it is agreed on the quote's day: once its
    parts are there and the work that waits is done, as many of the bench's working days as it
    takes. None if the shop does not give its bench's time, or some part can't be supplied.

    Work that has begun waits for no other, and takes the minutes that are left.

    Args:
        parts_by: the day by which all that it waits for is there, None for nothing.
        minutes: of the whole repair.
    """
    bench, underway = shop.bench, asked.underway
    if bench is None or kit.unfilled:
        return None
    waiting, left = bench.waiting_minutes, minutes
    if underway is not None and underway.has_begun:
        waiting, left = 0, max(0, minutes - underway.minutes)
    free = working_day(shop, asked.on, waiting // bench.minutes_a_day)
    begins = free if parts_by is None else max(free, parts_by)
    return working_day(shop, begins, -(-left // bench.minutes_a_day))
