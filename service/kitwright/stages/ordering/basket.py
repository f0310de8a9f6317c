"""Basket: what several quotes need, bought together at least landed cost, and each quote's share.

Each quote asks for the orders that it needs by itself. Their lines say what is needed, in which
quality and by when; from whom it is bought is chosen anew for all quotes together.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from decimal import Decimal
from fractions import Fraction
from math import lcm
from typing import NamedTuple

from msgspec import Struct, structs

from kitwright.catalogue.model import Catalogue, Hazmat, ItemId, Quality, Supplier, SupplierId
from kitwright.money import Money, share
from kitwright.solve.buying import (
    MOST_NODES,
    Charge,
    Missing,
    Need,
    Offer,
    Price,
    Purchase,
    Unmet,
    least_purchase,
)
from kitwright.stages.kit import Market
from kitwright.stages.ordering.follow_up import NotOrderable
from kitwright.stages.ordering.order import OrderLine, PartsOrder, Use, order_line
from kitwright.stages.ordering.together import JointOrder, LineKey, Part, line_key, share_orders
from kitwright.stages.supply import Source, arrival
from kitwright.units import exact

_Kind = tuple[ItemId, str]
"""An item in a quality, or, if ordered specially, as a supplier's SKU."""
_OfferId = tuple[str, str, ItemId, int]
"""Supplier, its SKU, the item, and items per pack."""


class Basket(Struct, frozen=True, kw_only=True):
    """The orders of several quotes together. No purchase costs less by more than `gap`."""

    orders: tuple[JointOrder, ...]
    gap: Money

    @property
    def is_least(self) -> bool:
        """Whether it is proven that no purchase costs less."""
        return not self.gap.minor


class NotInBasket(NotOrderable):
    """Parts that several quotes need, of which the suppliers have too few."""

    code = "not-in-basket"

    def __init__(self, items: Sequence[ItemId]) -> None:
        super().__init__(
            f"can't order enough for all quotes together: {', '.join(items)}; order for fewer "
            "quotes, or revise those that can use other parts"
        )
        self.items = tuple(items)


class _Wanted(NamedTuple):
    """A need of a quote: its use, and the quality that was to be bought; `by` is the day on which
    the parts were promised.
    """

    asker: int
    use: Use
    line: OrderLine
    is_special: bool
    by: date


def buy_together(
    market: Market,
    asked: Sequence[Iterable[PartsOrder]],
    days: Mapping[SupplierId, date],
    *,
    most_nodes: int = MOST_NODES,
) -> Basket:
    """Return the orders of least landed cost for what several quotes need: goods, fees and freight.

    Of each need, the quality is at least that of the line that the quote asks for. No quote waits
    longer than for its own orders. Special orders stay as they are. Packs may serve several quotes;
    what they cost is shared by the pieces that each quote uses, and what a supplier charges once is
    shared by the shop's rule, to the last minor unit.

    Takes seconds for hundreds of lines, so it should not run on an event loop.

    Args:
        market: all that can be bought.
        asked: the orders that each quote needs.
        days: supplier -> the day that an order placed now counts for.
        most_nodes: see `least_purchase`.

    Raises: NotInBasket, SolverFailed.
    """
    catalogue, currency = market.catalogue, market.shop.currency
    wanted = [*_wanted(catalogue, asked)]
    if not wanted:
        return Basket(orders=(), gap=Money(0, currency))
    scales = _scales(wanted)
    needs = [_need(number, each, scales) for number, each in enumerate(wanted)]
    sources = _sources(market, wanted)
    # in no quantity is more needed than this
    most = sum(each.line.packs * each.line.source.pack for each in wanted)
    offers = [
        _offer(market, source, quality, scales, days, most) for source, quality in sources.values()
    ]
    suppliers = {source.supplier.id: source.supplier for source, _ in sources.values()}
    charges = {name: [*_charges(one)] for name, one in suppliers.items()}
    try:
        found = least_purchase(needs, offers, charges, most_nodes=most_nodes)
    except Unmet as error:
        raise NotInBasket(_items(wanted, error.needs)) from None
    lines, parts = _shared(market, wanted, scales, sources, days, found)
    return Basket(
        orders=share_orders(catalogue, market.shop, lines, parts), gap=Money(found.gap, currency)
    )


def _wanted(catalogue: Catalogue, asked: Sequence[Iterable[PartsOrder]]) -> Iterator[_Wanted]:
    for asker, orders in enumerate(asked):
        own = tuple(orders)
        by = max((order.promised for order in own), default=date.min)
        for line in (line for order in own for line in order.lines):
            is_special = _is_special(catalogue, line.source)
            for use in line.covers:
                yield _Wanted(asker, use, line, is_special, by)


def _is_special(catalogue: Catalogue, source: Source) -> bool:
    supplier = catalogue.suppliers.get(source.supplier.id)
    offers = () if supplier is None else supplier.offer
    return any(offer.sku == source.sku and offer.is_special for offer in offers)


def _items(wanted: Sequence[_Wanted], missing: Iterable[Missing[int]]) -> list[ItemId]:
    return sorted({wanted[each.need].use.item for each in missing})


def _scales(wanted: Iterable[_Wanted]) -> dict[ItemId, int]:
    """Return, by number, the parts of a unit in which its quantities are whole."""
    scales: dict[ItemId, int] = defaultdict(lambda: 1)
    for each in wanted:
        number = each.use.number
        scales[number] = lcm(scales[number], each.use.quantity.denominator)
    return scales


def _need(number: int, each: _Wanted, scales: Mapping[ItemId, int]) -> Need[int, _Kind]:
    item = each.use.number
    kinds = {(item, quality.value) for quality in _good_enough(each.line.source.quality)}
    if each.is_special:
        kinds = {(item, _as_special(each.line.source))}
    count = each.use.quantity * scales[item]
    return Need(id=number, count=int(count), kinds=frozenset(kinds), by=each.by.toordinal())


def _good_enough(floor: Quality) -> tuple[Quality, ...]:
    return (Quality.maker,) if floor is Quality.maker else (Quality.maker, floor)


def _sources(market: Market, wanted: Sequence[_Wanted]) -> dict[_OfferId, tuple[Source, str]]:
    """Return every source of what is wanted, with its quality or special order, by its key."""
    found: dict[_OfferId, tuple[Source, str]] = {}
    numbers = dict.fromkeys(each.use.number for each in wanted if not each.is_special)
    for item in (*numbers, *market.sets_with(numbers)):
        for source in market.supply.sources.get(item, ()):
            if not _is_special(market.catalogue, source):
                found[_offer_id(source)] = source, source.quality.value
    for each in wanted:
        source, key = each.line.source, _offer_id(each.line.source)
        if each.is_special:
            found[key] = source, _as_special(source)
        # of a SKU that is no longer offered, the revision's terms hold
        elif key not in found:
            found[key] = source, source.quality.value
    return found


def _as_special(source: Source) -> str:
    return f"special {source.supplier.id} {source.sku}"


def _offer_id(source: Source) -> _OfferId:
    return source.supplier.id, source.sku, source.item, source.pack


def _offer(
    market: Market,
    source: Source,
    quality: str,
    scales: Mapping[ItemId, int],
    days: Mapping[SupplierId, date],
    most: int,
) -> Offer[_OfferId, SupplierId, _Kind]:
    catalogue, supplier = market.catalogue, source.supplier
    causes = {"small-order"}
    if source.freight is None:
        causes.add("freight")
    consumable = catalogue.consumables.get(source.item)
    if consumable is not None and consumable.hazmat is not Hazmat.none:
        causes.add("hazardous-goods")
    holds = {
        (item, quality): int(amount * scales[item])
        for item, amount in _contents(catalogue, source).items()
        if item in scales
    }
    return Offer(
        id=_offer_id(source),
        seller=supplier.id,
        holds=holds,
        prices=tuple(_prices(source, most)),
        multiple=source.multiple,
        most=None if source.is_back_order else source.stock,
        extra=Money.of(source.freight or Decimal(0), supplier.currency).minor,
        day=arrival(market.shop, supplier, source.lead_days, days[supplier.id]).toordinal(),
        causes=frozenset(causes),
    )


def _contents(catalogue: Catalogue, source: Source) -> dict[ItemId, Fraction]:
    """Return the quantity of each number in a pack, in the unit of its needs."""
    if source.item in catalogue.sets:
        contents = catalogue.sets[source.item].contents
        return {item: Fraction(count * source.pack) for item, count in contents.items()}
    consumable = catalogue.consumables.get(source.item)
    each = Fraction(1) if consumable is None else exact(consumable.pack)
    return {source.item: each * source.pack}


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


def _charges(supplier: Supplier) -> Iterator[Charge]:
    def minor(amount: Decimal) -> int:
        return Money.of(amount, supplier.currency).minor

    free_from = supplier.free_freight_from
    yield Charge(
        "freight", minor(supplier.freight), None if free_from is None else minor(free_from)
    )
    yield Charge("small-order", minor(supplier.small_order_fee), minor(supplier.minimum_order))
    yield Charge("hazardous-goods", minor(supplier.hazmat_fee))


def _shared(
    market: Market,
    wanted: Sequence[_Wanted],
    scales: Mapping[ItemId, int],
    sources: Mapping[_OfferId, tuple[Source, str]],
    days: Mapping[SupplierId, date],
    found: Purchase[int, _OfferId, _Kind, SupplierId],
) -> tuple[list[OrderLine], dict[LineKey, dict[int, Part]]]:
    """Return the lines of a purchase, and what each quote has of them."""
    pieces: dict[_OfferId, dict[int, list[Use]]] = {}
    for each in found.uses:
        need = wanted[each.need]
        quantity = Fraction(each.count, scales[need.use.number])
        own = pieces.setdefault(each.offer, {}).setdefault(need.asker, [])
        own.append(structs.replace(need.use, quantity=quantity))
    lines: dict[LineKey, OrderLine] = {}
    parts: dict[LineKey, dict[int, Part]] = {}
    for offer, packs in found.packs:
        source, _ = sources[offer]
        holds = _contents(market.catalogue, source)
        uses = {asker: tuple(own) for asker, own in sorted(pieces[offer].items())}
        # of a set, the part of it that is used
        weights = [sum(use.quantity / holds[use.number] for use in own) for own in uses.values()]
        covers = tuple(use for own in uses.values() for use in own)
        line = order_line(market.shop, source, packs, covers, days[source.supplier.id])
        lines[line_key(line)] = line
        parts[line_key(line)] = {
            asker: Part(own, weight, uses[asker])
            for asker, own, weight in zip(uses, share(packs, weights), weights, strict=True)
        }
    return list(lines.values()), parts
