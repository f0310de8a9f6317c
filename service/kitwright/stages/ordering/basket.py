"""Basket: the packs that several quotes need, bought together at least landed cost.

Each quote asks for the orders that it needs by itself. Their lines say how many packs of which item
are needed, in which quality and by when; from whom they come is chosen anew for all quotes
together. Packs stay whole for each quote, and sets stay sets, since goods are received, reserved
and returned by packs.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import NamedTuple

from msgspec import Struct, structs

from kitwright.catalogue.model import ItemId, Quality, SupplierId
from kitwright.money import Money, share
from kitwright.solve.buying import (
    MOST_NODES,
    Charge,
    Need,
    Offer,
    Price,
    Purchase,
    Unmet,
    least_purchase,
)
from kitwright.stages.kit import Market
from kitwright.stages.ordering.follow_up import per_pack
from kitwright.stages.ordering.order import OrderLine, PartsOrder, Use, order_line
from kitwright.stages.ordering.together import (
    JointOrder,
    LineKey,
    Part,
    line_key,
    share_orders,
    source_key,
)
from kitwright.stages.supply import Source, Terms, arrival, is_hazardous

_Kind = tuple[ItemId, int, str]
"""Packs of an item, by their size, in a quality or, if ordered specially, as a supplier's SKU."""


class Basket(Struct, frozen=True, kw_only=True):
    """The orders of several quotes together. No purchase of such packs costs less by more than
    `gap`.
    """

    orders: tuple[JointOrder, ...]
    gap: Money

    @property
    def is_least(self) -> bool:
        """Whether it is proven that no purchase of such packs costs less."""
        return not self.gap.minor


class _Wanted(NamedTuple):
    """A line of a quote's own orders; `by` is the day by which the packs must be there."""

    asker: int
    line: OrderLine
    by: date

    @property
    def is_special(self) -> bool:
        source = self.line.source
        return source.supplier.is_special(source.sku)


def buy_together(
    market: Market,
    asked: Sequence[Iterable[PartsOrder]],
    needed_by: Sequence[date | None],
    days: Mapping[SupplierId, date],
    *,
    most_nodes: int = MOST_NODES,
) -> Basket:
    """Return the orders of least landed cost for what several quotes need: goods, fees and freight.

    Of each line, the quality is at least that of the line that the quote asks for. No quote waits
    longer than for its own orders, or beyond the day by which it needs them. Special orders stay as
    they are. What all suppliers together have too few of is ordered where the quotes ask for it, as
    if there were enough. What a supplier charges once is shared by the shop's rule, to the last
    minor unit.

    May take seconds for hundreds of quotes, so it should not run on an event loop.

    Args:
        market: all that can be bought.
        asked: the orders that each quote needs.
        needed_by: the day by which each quote needs its parts, None for as soon as its own orders.
        days: supplier -> the day that an order placed now counts for.
        most_nodes: see `least_purchase`.

    Raises: SolverFailed.
    """
    wanted = [*_wanted(asked, needed_by)]
    if not wanted:
        return Basket(orders=(), gap=Money(0, market.shop.currency))
    needs = [_need(market, number, each) for number, each in enumerate(wanted)]
    sources = _sources(market, wanted)
    most = sum(need.count for need in needs)
    offers = {
        key: _offer(market, key, source, kind, days, most)
        for key, (source, kind) in sources.items()
    }
    suppliers = {source.supplier.id: source.supplier for source, _ in sources.values()}
    charges = {name: [*_charges(Terms.of(one))] for name, one in suppliers.items()}
    found = _least(needs, wanted, offers, charges, most_nodes)
    orders = share_orders(
        market.catalogue, market.shop, *_shared(market, wanted, sources, days, found)
    )
    # packs that nobody uses, bought to end a charge, are left out, and the charge is paid
    landed = sum(one.order.net.minor for one in orders)
    return Basket(orders=orders, gap=Money(found.gap + landed - found.cost, market.shop.currency))


def _least(
    needs: Sequence[Need[int, _Kind]],
    wanted: Sequence[_Wanted],
    offers: dict[LineKey, Offer[LineKey, SupplierId, _Kind]],
    charges: Mapping[SupplierId, Sequence[Charge]],
    most_nodes: int,
) -> Purchase[int, LineKey, _Kind, SupplierId]:
    """Return the least purchase; what there is too little of is ordered where it was asked for."""
    try:
        return least_purchase(needs, offers.values(), charges, most_nodes=most_nodes)
    except Unmet as error:
        # each time, offers that were limited no longer are: of those there is an end
        for key in {line_key(wanted[each.need].line) for each in error.needs}:
            offers[key] = structs.replace(offers[key], most=None, day=0)
        return _least(needs, wanted, offers, charges, most_nodes)


def _wanted(
    asked: Sequence[Iterable[PartsOrder]], needed_by: Sequence[date | None]
) -> Iterator[_Wanted]:
    for asker, (orders, needed) in enumerate(zip(asked, needed_by, strict=True)):
        own = tuple(orders)
        by = max((order.promised for order in own), default=date.min)
        by = by if needed is None else max(by, needed)
        yield from (_Wanted(asker, line, by) for order in own for line in order.lines)


def _need(market: Market, number: int, each: _Wanted) -> Need[int, _Kind]:
    line = each.line
    item, size, floor = line.source.item, line.source.pack, line.source.quality
    if each.is_special:
        kinds = {_special(line.source)}
    else:
        good = {Quality.maker, floor}
        kinds = {(item, size, quality.value) for quality in good}
    holds = per_pack(market.catalogue, item, size, line.covers, line.packs)
    used: dict[ItemId, Fraction] = defaultdict(Fraction)
    for use in line.covers:
        used[use.number] += use.quantity
    # a quote alone may buy more than it uses, because its supplier sells no fewer
    count = max((-(-amount // holds[part]) for part, amount in used.items()), default=line.packs)
    return Need(id=number, count=count, kinds=frozenset(kinds), by=each.by.toordinal())


def _special(source: Source) -> _Kind:
    return source.item, source.pack, f"special {source.supplier.id} {source.sku}"


def _sources(market: Market, wanted: Sequence[_Wanted]) -> dict[LineKey, tuple[Source, _Kind]]:
    """Return every source of what is wanted, with what its packs are, by its key."""
    found: dict[LineKey, tuple[Source, _Kind]] = {}
    kinds = {
        (each.line.source.item, each.line.source.pack): None
        for each in wanted
        if not each.is_special
    }
    for item, size in kinds:
        for source in market.supply.sources.get(item, ()):
            if source.pack == size and not source.supplier.is_special(source.sku):
                found[source_key(source)] = source, (item, size, source.quality.value)
    for each in wanted:
        source = each.line.source
        if each.is_special:
            found[source_key(source)] = source, _special(source)
        else:
            # of a SKU that is no longer offered, the revision's terms hold
            kind = (source.item, source.pack, source.quality.value)
            found.setdefault(source_key(source), (source, kind))
    return found


def _offer(
    market: Market,
    key: LineKey,
    source: Source,
    kind: _Kind,
    days: Mapping[SupplierId, date],
    most: int,
) -> Offer[LineKey, SupplierId, _Kind]:
    supplier = source.supplier
    causes = {"small-order"}
    if source.freight is None:
        causes.add("freight")
    if is_hazardous(market.catalogue, source.item):
        causes.add("hazardous-goods")
    return Offer(
        id=key,
        seller=supplier.id,
        holds={kind: 1},
        prices=tuple(_prices(source, most)),
        multiple=source.multiple,
        most=None if source.is_back_order else source.stock,
        extra=Money.of(source.freight or Decimal(0), supplier.currency).minor,
        day=arrival(market.shop, supplier, source.lead_days, days[supplier.id]).toordinal(),
        causes=frozenset(causes),
    )


def _prices(source: Source, most: int) -> Iterator[Price]:
    """Yield the prices of a source, in minor units. If packs cost a fraction of one, each number of
    packs has a price of its own.
    """
    starts = [
        source.minimum,
        *(each.packs for each in source.breaks if each.packs > source.minimum),
    ]
    costs = {start: source.unit_cost(start) for start in starts}
    currency = source.supplier.currency
    if all(Money.of(cost, currency).amount == cost for cost in costs.values()):
        for start, cost in costs.items():
            yield Price(each=Money.of(cost, currency).minor, least=start)
        return
    counts = {*range(source.allowed(1), source.allowed(most) + 1, source.multiple)}
    for packs in sorted({*counts, *map(source.allowed, starts)}):
        yield Price(each=0, least=packs, fixed=source.line_cost(packs).minor)


def _charges(terms: Terms) -> Iterator[Charge]:
    yield Charge("freight", terms.freight, terms.free_from)
    yield Charge("small-order", terms.small_order, terms.minimum)
    yield Charge("hazardous-goods", terms.hazardous)


def _shared(
    market: Market,
    wanted: Sequence[_Wanted],
    sources: Mapping[LineKey, tuple[Source, _Kind]],
    days: Mapping[SupplierId, date],
    found: Purchase[int, LineKey, _Kind, SupplierId],
) -> tuple[list[OrderLine], dict[LineKey, dict[int, Part]]]:
    """Return the lines of a purchase, and what each quote has of them."""
    counts: dict[int, dict[LineKey, int]] = defaultdict(dict)
    for each in found.uses:
        counts[each.need][each.offer] = counts[each.need].get(each.offer, 0) + each.count
    has: dict[LineKey, dict[int, tuple[int, tuple[Use, ...]]]] = defaultdict(dict)
    for need, by_offer in sorted(counts.items()):
        asker, line = wanted[need].asker, wanted[need].line
        for (offer, count), covers in zip(
            by_offer.items(), _split(market, line, [*by_offer.values()]), strict=True
        ):
            before, uses = has[offer].get(asker, (0, ()))
            has[offer][asker] = before + count, uses + covers
    lines: list[OrderLine] = []
    parts: dict[LineKey, dict[int, Part]] = {}
    for offer, packs in found.packs:
        source, _ = sources[offer]
        own = has.get(offer)
        if own is None:
            continue
        covers = tuple(use for _, uses in own.values() for use in uses)
        line = order_line(market.shop, source, packs, covers, days[source.supplier.id])
        lines.append(line)
        # packs beyond what is used, for a price break or a multiple, go by what each one uses
        shares = share(packs, [count for count, _ in own.values()])
        parts[line_key(line)] = {
            asker: Part(mine, uses)
            for (asker, (_, uses)), mine in zip(own.items(), shares, strict=True)
        }
    return lines, parts


def _split(market: Market, line: OrderLine, counts: Sequence[int]) -> Iterator[tuple[Use, ...]]:
    """Yield what each of some numbers of packs, which replace those of a line, is used for."""
    source, left = line.source, list(line.covers)
    holds = per_pack(market.catalogue, source.item, source.pack, line.covers, line.packs)
    for count in counts:
        room = {item: amount * count for item, amount in holds.items()}
        taken, rest = [], []
        for use in left:
            fits = min(use.quantity, room[use.number])
            room[use.number] -= fits
            if fits:
                taken.append(structs.replace(use, quantity=fits))
            if fits < use.quantity:
                rest.append(structs.replace(use, quantity=use.quantity - fits))
        left = rest
        yield tuple(taken)
