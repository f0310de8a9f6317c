"""Parts order: the order for each supplier, with its fees, freight and promised day."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Final

from msgspec import Struct

from kitwright.catalogue.model import Catalogue, ItemId, Shop, Supplier, SupplierId
from kitwright.memory import ByIdentity
from kitwright.money import Money
from kitwright.stages.kit import Covered, Kit
from kitwright.stages.supply import Source, Terms, goods_of, promise, sum_goods


class Use(Struct, frozen=True, kw_only=True):
    """The `quantity` of one need for `item` that a line fills, in the need's unit, and the `number`
    that is fitted.
    """

    role: str
    cylinder: int | None
    item: ItemId
    number: ItemId
    quantity: Fraction


class OrderLine(Struct, frozen=True, kw_only=True):
    """One item of an order, in complete packs, at the unit cost for this number; `net` is without
    tax.
    """

    source: Source
    packs: int
    unit_cost: Decimal
    net: Money
    promised: date
    covers: tuple[Use, ...]


class OrderFee(Struct, frozen=True):
    """A supplier's charge on an order: `small-order` or `hazardous-goods`."""

    code: str
    amount: Money


class PartsOrder(Struct, frozen=True, kw_only=True):
    """The parts ordered from one supplier. `net` is goods, fees and freight, without tax.

    `promised` is the day on which the last line should arrive, if ordered before the supplier's
    cutoff.
    """

    supplier: Supplier
    lines: tuple[OrderLine, ...]
    goods: Money
    fees: tuple[OrderFee, ...]
    freight: Money
    net: Money
    promised: date

    @property
    def charges(self) -> Money:
        """The sum of fees and freight, without tax."""
        return self.net - self.goods


def split_orders(catalogue: Catalogue, shop: Shop, kit: Kit, on: date) -> tuple[PartsOrder, ...]:
    """Return the parts orders of a kit, one for each supplier, as ordered on a day."""
    return place_orders(
        catalogue,
        (
            order_line(shop, each.source, each.packs, tuple(map(use_of, each.covers)), on)
            for each in kit.bought
        ),
    )


def use_of(covered: Covered) -> Use:
    """Return the use of a need that is covered."""
    need = covered.need
    return Use(
        role=need.role,
        cylinder=need.cylinder,
        item=need.item,
        number=covered.number,
        quantity=covered.quantity,
    )


def order_line(
    shop: Shop, source: Source, packs: int, covers: tuple[Use, ...], on: date
) -> OrderLine:
    """Return a line of some packs from a source, ordered on a day before the supplier's cutoff."""
    return OrderLine(
        source=source,
        packs=packs,
        unit_cost=source.unit_cost(packs),
        net=source.line_cost(packs),
        promised=promise(shop, source, on),
        covers=covers,
    )


def place_orders(catalogue: Catalogue, lines: Iterable[OrderLine]) -> tuple[PartsOrder, ...]:
    """Return some lines as orders, one for each supplier, sorted by supplier; lines are sorted by
    item. Fees and freight are those that the supplier charges on exactly these orders.
    """
    by_supplier: dict[SupplierId, list[OrderLine]] = {}
    for line in sorted(lines, key=lambda one: (one.source.item, one.source.sku)):
        by_supplier.setdefault(line.source.supplier.id, []).append(line)
    return tuple(_order(catalogue, of_one) for _, of_one in sorted(by_supplier.items()))


def _order(catalogue: Catalogue, lines: Sequence[OrderLine]) -> PartsOrder:
    supplier = lines[0].source.supplier
    terms, currency = _TERMS.of(supplier), supplier.currency
    goods = sum_goods(goods_of(catalogue, line.source, line.packs) for line in lines)
    fees = (
        OrderFee("small-order", Money(terms.small_order_fee(goods), currency)),
        OrderFee("hazardous-goods", Money(terms.hazardous_fee(goods), currency)),
    )
    return PartsOrder(
        supplier=supplier,
        lines=tuple(lines),
        goods=Money(goods.cost, currency),
        fees=tuple(fee for fee in fees if fee.amount.minor),
        freight=Money(terms.freight_of(goods), currency),
        net=Money(goods.cost + terms.charges(goods), currency),
        promised=max(line.promised for line in lines),
    )


_TERMS: Final = ByIdentity(Terms.of, 256)
