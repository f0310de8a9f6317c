"""Landed: the suppliers to buy from, so that goods, fees and freight together cost the least, with
what it costs the shop to take in a further parcel.

What each supplier charges depends on the goods that are bought from it. With the suppliers given,
the needs are covered part by part, each part at least cost; so sets of
suppliers are tried, by leaving out one after another of those that are used.
That misses only purchases that take dearer goods so that a charge ends. What these could save at
most is the `gap`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import date
from functools import reduce
from itertools import product
from operator import or_
from typing import NamedTuple

from kitwright.stages.kit.market import Market
from kitwright.stages.kit.part import KitPart
from kitwright.stages.supply import Goods, Terms

Parts = tuple[KitPart, ...]
PartsFrom = Callable[[int, date | None, Sequence[KitPart | None]], Parts]
"""Returns the parts of a kit, each at least cost, from some suppliers, in time for a day; those
that are known as they are.
"""
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
    ready: date
    goods: Mapping[int, Goods]
    parts: Parts


def least_landed(
    market: Market,
    selling: Sequence[int],
    is_held: Sequence[bool],
    parts_from: PartsFrom,
    most: Most,
    *,
    may_be_bulky: bool,
    on: date,
    needed_by: date | None,
    is_compared: bool,
) -> tuple[Parts, int]:
    """Return the parts of a kit at least landed cost, and by how many minor units another purchase
    may cost less.

    Nothing that all suppliers together can fill stays open. Nothing is later than if every item is
    bought where it is cheapest, or, if it is needed by a day, from all suppliers.

    Args:
        market: what can be bought.
        selling: the suppliers that sell anything of each part's needs, as bits (see
            `Market.bits`).
        is_held: whether any of that is in stock, for each part.
        parts_from: covers the needs, part by part.
        most: the most that goods can cost from each supplier.
        may_be_bulky: whether any offer for what is needed has a freight of its own.
        on: the day of the order.
        needed_by: the day by which the goods are needed, None if they are not needed by any.
        is_compared: whether the purchase is only compared with another, so that nothing is said of
            how much less any may cost.
    """

    def way_of(allowed: int, by: date | None, known: Sequence[KitPart | None] = ()) -> _Way:
        return _way(market, allowed, parts_from(allowed, by, known), on, by)

    anyone = reduce(or_, selling, 0)
    best = everywhere = way_of(anyone, needed_by)
    if everywhere.landed == everywhere.cost:
        return everywhere.parts, 0
    ways, seen = [everywhere], {anyone}
    for way in ways:
        only = _only(way, selling, is_held)
        # with suppliers that are not used left out, the purchase is the same
        for place in way.goods:
            bit = 1 << place
            allowed = way.allowed & ~bit
            if bit & only or allowed in seen:
                continue
            seen.add(allowed)
            # nothing else changes where the supplier sells nothing
            same = [None if part.suppliers & bit else part for part in way.parts]
            less = way_of(allowed, needed_by, same)
            # with fewer suppliers, goods are never cheaper or sooner
            if less.short > everywhere.short or less.late > everywhere.late:
                continue
            if less.cost < best.landed:
                ways.append(less)
            if needed_by is None and less.ready > everywhere.ready:
                less = way_of(allowed, everywhere.ready)
                if less.late or less.short > everywhere.short:
                    continue
            best = min(best, less, key=lambda one: one[:5])
    if is_compared:
        return best.parts, 0
    # no purchase costs less than the cheapest goods and the charges that nothing ends
    reachable = [sum(each) for each in zip(*most(), strict=True)]
    least = min(_least(market, way.goods, reachable, may_be_bulky=may_be_bulky) for way in ways)
    return best.parts, best.landed - min(least, best.landed)


def _only(way: _Way, selling: Sequence[int], is_held: Sequence[bool]) -> int:
    """Return the suppliers that nothing can take the place of, as bits."""
    only = 0
    for part, bits, has in zip(way.parts, selling, is_held, strict=True):
        left = bits & way.allowed
        if part.suppliers == left and not has and left & (left - 1) == 0:
            only |= left
    return only


def _way(market: Market, allowed: int, parts: Parts, on: date, needed_by: date | None) -> _Way:
    goods: dict[int, Goods] = {}
    short = late = 0
    for part in parts:
        for place, more in part.goods:
            there = goods.get(place)
            goods[place] = more if there is None else there.plus(more)
        if part.unfilled:
            short += sum(-(-each.quantity // 1) for each in part.unfilled)
        if needed_by is not None:
            for each in part.bought:
                place = market.places[each.source.supplier.id]
                late += max(0, (market.arrival(place, each.source.lead_days, on) - needed_by).days)
    ready = (market.arrival(at, each.lead_days, on) for at, each in goods.items())
    return _Way(
        short=short,
        late=late,
        landed=_parcels(market, goods)
        + sum(each.cost + market.terms[at].charges(each) for at, each in goods.items()),
        suppliers=len(goods),
        minus_allowed=-allowed,
        allowed=allowed,
        cost=sum(each.cost for each in goods.values()),
        ready=max(ready, default=on),
        goods=goods,
        parts=parts,
    )


def _least(
    market: Market, goods: Mapping[int, Goods], reachable: Sequence[int], *, may_be_bulky: bool
) -> int:
    """Return a bound on what any purchase costs that uses these suppliers, and perhaps others,
    whatever is dearer.

    All goods together cost at least what they do here, and at least what ends the charges that end.
    What is hazardous may be bought elsewhere, and so may all that is not bulky.
    """
    options = [
        _ends(market.terms[place], each, reachable[place], may_be_bulky=may_be_bulky)
        for place, each in goods.items()
    ]
    cost = sum(each.cost for each in goods.values())
    return _parcels(market, goods) + min(
        max(cost, sum(value for value, _ in some)) + sum(charges for _, charges in some)
        for some in product(*options)
    )


def _parcels(market: Market, goods: Mapping[int, Goods]) -> int:
    """Return what the parcels beyond the first cost the shop."""
    return market.parcel * max(0, len(goods) - 1)


def _ends(
    terms: Terms, goods: Goods, reachable: int, *, may_be_bulky: bool
) -> Iterator[tuple[int, int]]:
    """Yield each value that goods may have to reach at a supplier, and what is charged then."""
    for value in (0, terms.minimum, terms.free_from):
        if value is not None and (value == 0 or goods.cost < value <= reachable):
            then = Goods(
                max(goods.cost, value), 0, not may_be_bulky, is_hazardous=False, lead_days=0
            )
            yield value, terms.charges(then)
