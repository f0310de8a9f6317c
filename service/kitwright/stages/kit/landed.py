"""Landed: the suppliers to buy from, so that goods, fees and freight together cost the least.

What each supplier charges depends on the goods that are bought from it. With the suppliers given,
the needs are covered part by part, each part at least cost; so sets of
suppliers are tried, by leaving out one after another of those that are used.
That misses only purchases that take dearer goods so that a charge ends. What these could save at
most is the `gap`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import NamedTuple

from kitwright.stages.kit.lot import InTime, Market
from kitwright.stages.kit.part import KitPart
from kitwright.stages.supply import Goods, promise

Parts = tuple[KitPart, ...]
Most = Callable[[], Iterable[tuple[int, ...]]]
"""Returns the most that goods can cost from each supplier, in minor units, for each of some needs.
"""


class _Way(NamedTuple):
    """A way to buy: first what it leaves open and how late it is, then what it costs."""

    short: int
    late: int
    landed: int
    suppliers: int
    minus_allowed: int
    allowed: int
    cost: int
    goods: Mapping[int, Goods]
    parts: Parts


def least_landed(
    market: Market,
    selling: int,
    parts_from: Callable[[int], Parts],
    most: Most,
    in_time: InTime,
) -> tuple[Parts, int]:
    """Return the parts of a kit at least landed cost, and by how many minor units another purchase
    may cost less.

    Nothing that all suppliers together can fill stays open, and nothing is later than from all of
    them.

    Args:
        market: what can be bought.
        selling: the suppliers that sell anything needed, as bits (see `Market.bits`).
        parts_from: the parts of the kit, each at least cost, from the suppliers that it is given.
        most: the most that goods can cost from each supplier.
        in_time: the days of the order and of the need.
    """
    best = everywhere = _way(market, selling, parts_from, in_time)
    if everywhere.landed == everywhere.cost:
        return everywhere.parts, 0
    ways, seen = [everywhere], {selling}
    for way in ways:
        # with suppliers that are not used left out, the purchase is the same
        for place in way.goods:
            allowed = way.allowed & ~(1 << place)
            if allowed in seen:
                continue
            seen.add(allowed)
            less = _way(market, allowed, parts_from, in_time)
            # with fewer suppliers, goods are never cheaper or sooner
            if less.short > everywhere.short or less.late > everywhere.late:
                continue
            best = min(best, less, key=lambda one: one[:5])
            if less.cost < best.landed:
                ways.append(less)
    # no purchase costs less than the cheapest goods and the charges that nothing ends
    reachable = [sum(each) for each in zip(*most(), strict=True)]
    least = min(_least(market, way.goods, reachable) for way in ways)
    return best.parts, best.landed - min(least, best.landed)


def _way(
    market: Market,
    allowed: int,
    parts_from: Callable[[int], Parts],
    in_time: InTime,
) -> _Way:
    parts = parts_from(allowed)
    goods: dict[int, Goods] = {}
    short = late = 0
    for part in parts:
        for place, more in part.goods:
            there = goods.get(place)
            goods[place] = more if there is None else there.plus(more)
        if part.unfilled:
            short += sum(-(-each.quantity // 1) for each in part.unfilled)
        if in_time is not None:
            on, needed_by = in_time
            days = (promise(market.shop, each.source, on) - needed_by for each in part.bought)
            late += sum(max(0, each.days) for each in days)
    return _Way(
        short=short,
        late=late,
        landed=sum(each.cost + market.terms[at].charges(each) for at, each in goods.items()),
        suppliers=len(goods),
        minus_allowed=-allowed,
        allowed=allowed,
        cost=sum(each.cost for each in goods.values()),
        goods=goods,
        parts=parts,
    )


def _least(market: Market, goods: Mapping[int, Goods], reachable: Sequence[int]) -> int:
    """Return a bound on what any purchase from the same suppliers costs, whatever is dearer."""
    least = 0
    for place, each in goods.items():
        terms = market.terms[place]
        options = [each.cost + terms.charges(each)]
        for value in (terms.minimum, terms.free_from):
            if value is not None and each.cost < value <= reachable[place]:
                # a single supplier gets all the money: at least what ends the charge
                paid = value if len(goods) == 1 else each.cost
                ended = Goods(value, each.bulky, each.has_more, each.is_hazardous)
                options.append(paid + terms.charges(ended))
        least += min(options)
    return least
