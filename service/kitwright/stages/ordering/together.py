"""Together: the parts of several quotes in one order for each supplier, and each quote's share.

Lines of one SKU become one line, so that price breaks count for all packs. What a supplier charges
once is shared: each charge by those quotes that cause it, in whole minor units whose sum is the
charge.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from fractions import Fraction

from msgspec import Struct

from kitwright.catalogue.model import Catalogue, Quality, ShareBy, Shop, SupplierId
from kitwright.money import Money, share, total
from kitwright.stages.ordering.order import (
    OrderLine,
    PartsOrder,
    Use,
    order_line,
    place_orders,
)
from kitwright.stages.supply import Source, is_hazardous

LineKey = tuple[SupplierId, str, str, int]
"""Supplier, its SKU, the item, and items per pack."""


class Portion(Struct, frozen=True, kw_only=True):
    """The packs of one line of an order that are for one quote; `line` is the line's place. Of a
    pack that several quotes share, each has a fraction.
    """

    line: int
    packs: Fraction | int
    quality: Quality
    net: Money
    covers: tuple[Use, ...]


class Allotment(Struct, frozen=True, kw_only=True):
    """What one quote has of an order; `asker` is the quote's place among those that asked. `net`
    is goods, fees and freight, without tax.
    """

    asker: int
    portions: tuple[Portion, ...]
    goods: Money
    fees: Money
    freight: Money

    @property
    def net(self) -> Money:
        """The sum of goods, fees and freight."""
        return self.goods + self.fees + self.freight


class JointOrder(Struct, frozen=True, kw_only=True):
    """An order to one supplier, and the share of each quote, in the order in which they asked. The
    shares add up to the order, amount by amount.
    """

    order: PartsOrder
    allotments: tuple[Allotment, ...]


class Part(Struct, frozen=True):
    """What one quote has of a line; of a pack that several share, a fraction."""

    packs: Fraction | int
    covers: tuple[Use, ...]


def join_orders(
    catalogue: Catalogue, shop: Shop, asked: Sequence[Iterable[PartsOrder]]
) -> tuple[JointOrder, ...]:
    """Return one order for each supplier, which contains what several quotes ask for.

    Args:
        asked: the orders that each quote needs.
    """
    parts: dict[LineKey, dict[int, OrderLine]] = {}
    for asker, orders in enumerate(asked):
        for line in (line for order in orders for line in order.lines):
            parts.setdefault(line_key(line), {})[asker] = line
    shares = {
        key: {asker: Part(one.packs, one.covers) for asker, one in of_one.items()}
        for key, of_one in parts.items()
    }
    return share_orders(
        catalogue, shop, [_joined(shop, of_one) for of_one in parts.values()], shares
    )


def share_orders(
    catalogue: Catalogue,
    shop: Shop,
    lines: Iterable[OrderLine],
    parts: Mapping[LineKey, Mapping[int, Part]],
) -> tuple[JointOrder, ...]:
    """Return some lines as orders, one for each supplier, with the share of each quote.

    Args:
        parts: by line, what each quote has of it.
    """
    return tuple(
        JointOrder(order=order, allotments=_allotments(catalogue, shop, order, parts))
        for order in place_orders(catalogue, lines)
    )


def line_key(line: OrderLine) -> LineKey:
    """Return the key that lines of one SKU have in common."""
    return source_key(line.source)


def source_key(source: Source) -> LineKey:
    """Return the key of a source's SKU."""
    return source.supplier.id, source.sku, source.item, source.pack


def _joined(shop: Shop, parts: dict[int, OrderLine]) -> OrderLine:
    """Return the lines of several quotes as one, at the terms for all their packs."""
    first, *more = parts.values()
    if not more:
        return first
    packs = sum(line.packs for line in parts.values())
    covers = tuple(use for line in parts.values() for use in line.covers)
    made = order_line(shop, first.source, packs, covers, first.promised)
    # the day on which it arrives was found by the clock of the supplier
    return OrderLine(
        source=made.source,
        packs=packs,
        unit_cost=made.unit_cost,
        net=made.net,
        promised=max(line.promised for line in parts.values()),
        covers=covers,
    )


def _allotments(
    catalogue: Catalogue,
    shop: Shop,
    order: PartsOrder,
    parts: Mapping[LineKey, Mapping[int, Part]],
) -> tuple[Allotment, ...]:
    portions = defaultdict[int, list[Portion]](list)
    for place, line in enumerate(order.lines, start=1):
        of_line = parts[line_key(line)]
        nets = share(line.net.minor, [one.packs for one in of_line.values()])
        for (asker, own), minor in zip(of_line.items(), nets, strict=True):
            portion = Portion(
                line=place,
                packs=own.packs,
                quality=line.source.quality,
                net=Money(minor, line.net.currency),
                covers=own.covers,
            )
            portions[asker].append(portion)
    askers = sorted(portions)
    by_asker = [portions[asker] for asker in askers]
    fees, freight = _fees(catalogue, shop, order, by_asker), _freight(shop, order, by_asker)
    currency = order.net.currency
    return tuple(
        Allotment(
            asker=asker,
            portions=tuple(own),
            goods=total((one.net for one in own), currency),
            fees=total((fee[place] for fee in fees), currency),
            freight=total((charge[place] for charge in freight), currency),
        )
        for place, (asker, own) in enumerate(zip(askers, by_asker, strict=True))
    )


def _fees(
    catalogue: Catalogue, shop: Shop, order: PartsOrder, by_asker: Sequence[Sequence[Portion]]
) -> list[tuple[Money, ...]]:
    """Return the shares of each fee: that of hazardous goods by who needs them, others by all."""
    every = frozenset(range(1, len(order.lines) + 1))
    hazardous = {
        place
        for place, line in enumerate(order.lines, start=1)
        if is_hazardous(catalogue, line.source.item)
    }
    causes = {"hazardous-goods": hazardous}
    return [
        share_charge(fee.amount, shop.purchasing.share_by, by_asker, causes.get(fee.code, every))
        for fee in order.fees
    ]


def _freight(
    shop: Shop, order: PartsOrder, by_asker: Sequence[Sequence[Portion]]
) -> list[tuple[Money, ...]]:
    """Return the shares of each freight: that of a bulky line by who needs it, the flat one by who
    needs the rest.
    """
    return [
        share_charge(amount, shop.purchasing.share_by, by_asker, lines)
        for amount, lines in _freights(order)
    ]


def _freights(order: PartsOrder) -> Iterator[tuple[Money, frozenset[int]]]:
    """Yield each freight of an order with the places of the lines that it is for."""
    rest, flat = set[int](), order.freight
    for place, line in enumerate(order.lines, start=1):
        if line.source.freight is None:
            rest.add(place)
        else:
            amount = Money.of(line.source.freight * line.packs, order.supplier.currency)
            flat -= amount
            yield amount, frozenset({place})
    if flat.minor:
        yield flat, frozenset(rest)


def share_charge(
    charge: Money, by: ShareBy, portions: Sequence[Sequence[Portion]], lines: Iterable[int]
) -> tuple[Money, ...]:
    """Return the shares of a charge, one for each quote. Their sum is the charge.

    Args:
        by: by the value of the goods that a quote has of these lines, by their packs, or in equal
            parts for every quote that has some.
        portions: what each quote has of the order.
        lines: the places of the lines that cause the charge.
    """
    wanted = frozenset(lines)
    own = [[one for one in each if one.line in wanted] for each in portions]
    weights: list[Fraction | int]
    if by is ShareBy.equal:
        weights = [int(bool(each)) for each in own]
    else:
        packs = [sum((one.packs for one in each), start=Fraction(0)) for each in own]
        values = [sum(one.net.minor for one in each) for each in own]
        # goods that cost nothing are shared by their packs
        weights = [*(values if by is ShareBy.value and any(values) else packs)]
    return tuple(Money(minor, charge.currency) for minor in share(charge.minor, weights))
