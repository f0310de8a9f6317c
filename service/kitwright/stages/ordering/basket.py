"""Basket: what several quotes need, bought together at least landed cost.

Each quote asks for the orders that it needs by itself. Their lines say how much of which item is
needed, in which quality and by when; from whom it comes, in which packs, is chosen anew for all
quotes together. Packs may serve several quotes, but sets stay sets.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from decimal import Decimal
from fractions import Fraction
from math import ceil, lcm
from typing import NamedTuple

from msgspec import Struct, structs

from kitwright.catalogue.model import Catalogue, ItemId, Quality, Shop, SupplierId
from kitwright.money import Money, share, total
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
from kitwright.stages.ordering.order import OrderLine, PartsOrder, Use, order_line
from kitwright.stages.ordering.placed import per_pack
from kitwright.stages.ordering.together import (
    JointOrder,
    LineKey,
    Part,
    line_key,
    share_orders,
    source_key,
)
from kitwright.stages.supply import Source, Terms, arrival, is_hazardous
from kitwright.units import exact

_Kind = tuple[ItemId, str]
"""An item in a quality or, if ordered specially, as a supplier's SKU."""


class Basket(Struct, frozen=True, kw_only=True):
    """The orders of several quotes together. No purchase costs less by more than `gap`."""

    orders: tuple[JointOrder, ...]
    gap: Money

    @property
    def is_least(self) -> bool:
        """Whether it is proven that no purchase costs less."""
        return not self.gap.minor


class _Wanted(NamedTuple):
    """A line of a quote's own orders: `amount` is what the quote needs of the item, in its unit;
    `holds` what one unit fills of each number, `by` the day by which it must be there.
    """

    asker: int
    line: OrderLine
    amount: Fraction
    holds: Mapping[ItemId, Fraction]
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
    if there were enough. A pack that several quotes share is paid by what each has of it, and what
    a supplier charges once is shared by the shop's rule, to the last minor unit.

    May take seconds for hundreds of quotes, so it should not run on an event loop.

    Args:
        market: all that can be bought.
        asked: the orders that each quote needs.
        needed_by: the day by which each quote needs its parts, None for as soon as its own orders.
        days: supplier -> the day that an order placed now counts for.
        most_nodes: see `least_purchase`.

    Raises: SolverFailed.
    """
    wanted = [*_wanted(market.catalogue, asked, needed_by)]
    if not wanted:
        return Basket(orders=(), gap=Money(0, market.shop.currency))
    sources = _sources(market, wanted)
    scales = _scales(market.catalogue, wanted, sources)
    needs = [_need(number, each, scales) for number, each in enumerate(wanted)]
    most = _most(wanted)
    offers = {
        key: _offer(market, key, source, kind, days, scales, most[source.item])
        for key, (source, kind) in sources.items()
    }
    suppliers = {source.supplier.id: source.supplier for source, _ in sources.values()}
    charges = {name: [*_charges(Terms.of(one))] for name, one in suppliers.items()}
    found = _least(needs, wanted, offers, charges, market.parcel, most_nodes)
    orders = share_orders(
        market.catalogue, market.shop, *_shared(market, wanted, sources, days, scales, found)
    )
    # packs that nobody uses, bought to end a charge, are left out, and the charge is paid
    landed = landed_of(market.shop, orders).minor
    return Basket(orders=orders, gap=Money(found.gap + landed - found.cost, market.shop.currency))


def landed_of(shop: Shop, orders: Sequence[JointOrder]) -> Money:
    """Return what some orders cost: goods, fees and freight, and what a further parcel costs the
    shop.
    """
    parcel = Money.of(shop.purchasing.parcel_cost, shop.currency)
    nets = total((one.order.net for one in orders), shop.currency)
    return nets + Money(parcel.minor * max(0, len(orders) - 1), shop.currency)


def _least(
    needs: Sequence[Need[int, _Kind]],
    wanted: Sequence[_Wanted],
    offers: dict[LineKey, Offer[LineKey, SupplierId, _Kind]],
    charges: Mapping[SupplierId, Sequence[Charge]],
    parcel: int,
    most_nodes: int,
) -> Purchase[int, LineKey, _Kind, SupplierId]:
    """Return the least purchase; what there is too little of is ordered where it was asked for."""
    try:
        return least_purchase(
            needs, offers.values(), charges, further=parcel, most_nodes=most_nodes
        )
    except Unmet as error:
        # each time, offers that were limited no longer are: of those there is an end
        for key in {line_key(wanted[each.need].line) for each in error.needs}:
            offers[key] = structs.replace(offers[key], most=None, day=0)
        return _least(needs, wanted, offers, charges, parcel, most_nodes)


def _wanted(
    catalogue: Catalogue, asked: Sequence[Iterable[PartsOrder]], needed_by: Sequence[date | None]
) -> Iterator[_Wanted]:
    for asker, (orders, needed) in enumerate(zip(asked, needed_by, strict=True)):
        own = tuple(orders)
        by = max((order.promised for order in own), default=date.min)
        by = by if needed is None else max(by, needed)
        for line in (line for order in own for line in order.lines):
            content = _content(catalogue, line.source)
            packs = per_pack(catalogue, line.source.item, line.source.pack, line.covers, line.packs)
            holds = {number: amount / content for number, amount in packs.items()}
            yield _Wanted(asker, line, _amount(catalogue, line, content, holds), holds, by)


def _content(catalogue: Catalogue, source: Source) -> Fraction:
    """Return how much of its item is in a pack, in the item's unit."""
    consumable = catalogue.consumables.get(source.item)
    return source.pack * (Fraction(1) if consumable is None else exact(consumable.pack))


def _amount(
    catalogue: Catalogue, line: OrderLine, content: Fraction, holds: Mapping[ItemId, Fraction]
) -> Fraction:
    """Return how much of a line's item is needed: of a set or a special order, all of it."""
    source = line.source
    used: dict[ItemId, Fraction] = defaultdict(Fraction)
    for use in line.covers:
        used[use.number] += use.quantity
    if not used or source.supplier.is_special(source.sku):
        return line.packs * content
    # a quote alone may buy more than it uses, because its supplier sells no fewer
    amount = max(quantity / holds[number] for number, quantity in used.items())
    return Fraction(ceil(amount)) if source.item in catalogue.sets else amount


def _scales(
    catalogue: Catalogue,
    wanted: Iterable[_Wanted],
    sources: Mapping[LineKey, tuple[Source, _Kind]],
) -> Mapping[ItemId, int]:
    """Return, by item, the parts of its unit in which all amounts are whole."""
    scales: dict[ItemId, int] = defaultdict(lambda: 1)
    for each in wanted:
        item = each.line.source.item
        scales[item] = lcm(scales[item], each.amount.denominator)
    for source, _ in sources.values():
        scales[source.item] = lcm(scales[source.item], _content(catalogue, source).denominator)
    return scales


def _most(wanted: Iterable[_Wanted]) -> Mapping[ItemId, Fraction]:
    """Return, by item, how much is needed in all."""
    most: dict[ItemId, Fraction] = defaultdict(Fraction)
    for each in wanted:
        most[each.line.source.item] += each.amount
    return most


def _need(number: int, each: _Wanted, scales: Mapping[ItemId, int]) -> Need[int, _Kind]:
    item, floor = each.line.source.item, each.line.source.quality
    if each.is_special:
        kinds = {_special(each.line.source)}
    else:
        kinds = {(item, quality.value) for quality in {Quality.maker, floor}}
    return Need(
        id=number,
        count=int(each.amount * scales[item]),
        kinds=frozenset(kinds),
        by=each.by.toordinal(),
    )


def _special(source: Source) -> _Kind:
    return source.item, f"special {source.supplier.id} {source.sku}"


def _sources(market: Market, wanted: Sequence[_Wanted]) -> dict[LineKey, tuple[Source, _Kind]]:
    """Return every source of what is wanted, with what its packs are, by its key."""
    found: dict[LineKey, tuple[Source, _Kind]] = {}
    items = dict.fromkeys(each.line.source.item for each in wanted if not each.is_special)
    for item in items:
        for source in market.supply.sources.get(item, ()):
            if not source.supplier.is_special(source.sku):
                found[source_key(source)] = source, (item, source.quality.value)
    for each in wanted:
        source = each.line.source
        if each.is_special:
            found[source_key(source)] = source, _special(source)
        else:
            # of a SKU that is no longer offered, the revision's terms hold
            found.setdefault(source_key(source), (source, (source.item, source.quality.value)))
    return found


def _offer(
    market: Market,
    key: LineKey,
    source: Source,
    kind: _Kind,
    days: Mapping[SupplierId, date],
    scales: Mapping[ItemId, int],
    most: Fraction,
) -> Offer[LineKey, SupplierId, _Kind]:
    supplier, content = source.supplier, _content(market.catalogue, source)
    causes = {"small-order"}
    if source.freight is None:
        causes.add("freight")
    if is_hazardous(market.catalogue, source.item):
        causes.add("hazardous-goods")
    return Offer(
        id=key,
        seller=supplier.id,
        holds={kind: int(content * scales[source.item])},
        prices=tuple(_prices(source, ceil(most / content))),
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
    scales: Mapping[ItemId, int],
    found: Purchase[int, LineKey, _Kind, SupplierId],
) -> tuple[list[OrderLine], dict[LineKey, dict[int, Part]]]:
    """Return the lines of a purchase, and what each quote has of them."""
    has = _had(market.catalogue, wanted, sources, scales, found)
    lines: list[OrderLine] = []
    parts: dict[LineKey, dict[int, Part]] = {}
    for offer, packs in found.packs:
        source, _ = sources[offer]
        own = has.get(offer)
        if own is None:
            continue
        covers = tuple(use for one in own.values() for use in one.covers)
        line = order_line(market.shop, source, packs, covers, days[source.supplier.id])
        lines.append(line)
        shares = _shares(packs, [Fraction(one.packs) for one in own.values()])
        parts[line_key(line)] = {
            asker: Part(share, one.covers)
            for (asker, one), share in zip(own.items(), shares, strict=True)
        }
    return lines, parts


def _had(
    catalogue: Catalogue,
    wanted: Sequence[_Wanted],
    sources: Mapping[LineKey, tuple[Source, _Kind]],
    scales: Mapping[ItemId, int],
    found: Purchase[int, LineKey, _Kind, SupplierId],
) -> Mapping[LineKey, Mapping[int, Part]]:
    """Return what each quote uses of each offer, in packs."""
    counts: dict[int, dict[LineKey, int]] = defaultdict(dict)
    for use in found.uses:
        counts[use.need][use.offer] = counts[use.need].get(use.offer, 0) + use.count
    has: dict[LineKey, dict[int, Part]] = defaultdict(dict)
    for need, by_offer in sorted(counts.items()):
        each = wanted[need]
        scale = scales[each.line.source.item]
        amounts = [Fraction(count, scale) for count in by_offer.values()]
        for offer, amount, covers in zip(by_offer, amounts, _split(each, amounts), strict=True):
            before = has[offer].get(each.asker, Part(0, ()))
            packs = before.packs + amount / _content(catalogue, sources[offer][0])
            has[offer][each.asker] = Part(packs, before.covers + covers)
    return has


def _shares(packs: int, used: Sequence[Fraction]) -> Sequence[Fraction | int]:
    """Return what each quote has of a line. If there are enough packs for each to have whole ones,
    they have all of them. Otherwise, each has what it uses, and nobody what is left over.
    """
    whole = [ceil(each) for each in used]
    return used if sum(whole) > packs else share(packs, whole)


def _split(wanted: _Wanted, amounts: Sequence[Fraction]) -> Iterator[tuple[Use, ...]]:
    """Yield what each of some amounts, which replace a line, is used for."""
    left = list(wanted.line.covers)
    for amount in amounts:
        room = {number: each * amount for number, each in wanted.holds.items()}
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
