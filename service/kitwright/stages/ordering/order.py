"""Parts order: the order for each supplier, with its fees, freight and promised day."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from decimal import Decimal
from fractions import Fraction

from msgspec import Struct

from kitwright.catalogue.model import Catalogue, Hazmat, ItemId, Shop, Supplier, SupplierId
from kitwright.money import Money, total
from kitwright.stages.kit import Covered, Kit
from kitwright.stages.supply import Source, promise


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
    goods = total((line.net for line in lines), supplier.currency)
    fees = tuple(_fees(catalogue, supplier, lines, goods))
    freight = _freight(supplier, lines, goods)
    return PartsOrder(
        supplier=supplier,
        lines=tuple(lines),
        goods=goods,
        fees=fees,
        freight=freight,
        net=total((goods, freight, *(fee.amount for fee in fees)), supplier.currency),
        promised=max(line.promised for line in lines),
    )


def _fees(
    catalogue: Catalogue, supplier: Supplier, lines: Sequence[OrderLine], goods: Money
) -> Iterator[OrderFee]:
    small = Money.of(supplier.small_order_fee, supplier.currency)
    if goods < Money.of(supplier.minimum_order, supplier.currency) and small.minor:
        yield OrderFee("small-order", small)
    hazmat = Money.of(supplier.hazmat_fee, supplier.currency)
    if hazmat.minor and any(is_hazardous(catalogue, line) for line in lines):
        yield OrderFee("hazardous-goods", hazmat)


def is_hazardous(catalogue: Catalogue, line: OrderLine) -> bool:
    """Return whether a line is of goods for which a supplier may charge a fee."""
    consumable = catalogue.consumables.get(line.source.item)
    return consumable is not None and consumable.hazmat is not Hazmat.none


def _freight(supplier: Supplier, lines: Sequence[OrderLine], goods: Money) -> Money:
    """Return the freight: that of each bulky item by pack, and the supplier's flat freight for the
    rest.

    The flat freight is not charged if the goods reach the supplier's free-freight value.
    """
    freight = total(
        (
            Money.of(line.source.freight * line.packs, supplier.currency)
            for line in lines
            if line.source.freight is not None
        ),
        supplier.currency,
    )
    return freight + flat_freight(supplier, lines, goods)


def flat_freight(supplier: Supplier, lines: Iterable[OrderLine], goods: Money) -> Money:
    """Return the supplier's flat freight for the lines that have none of their own."""
    has_more = any(line.source.freight is None for line in lines)
    free_from = supplier.free_freight_from
    is_free = free_from is not None and goods >= Money.of(free_from, supplier.currency)
    return Money.of(supplier.freight if has_more and not is_free else 0, supplier.currency)
