"""Parts order: what each supplier is asked to send, with its fees, freight and promise."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from decimal import Decimal

from msgspec import Struct

from kitwright.catalogue.model import Catalogue, Hazmat, Shop, Supplier, SupplierId
from kitwright.money import Money, total
from kitwright.stages.kit import Bought, Covered, Kit
from kitwright.stages.supply import Source, arrival


class OrderLine(Struct, frozen=True, kw_only=True):
    """One item of an order: whole packs at the cost that so many packs have; `net` without tax."""

    source: Source
    packs: int
    unit_cost: Decimal
    net: Money
    promised: date
    covers: tuple[Covered, ...]


class OrderFee(Struct, frozen=True):
    """A supplier's charge on an order: `small-order` or `hazardous-goods`."""

    code: str
    amount: Money


class PartsOrder(Struct, frozen=True, kw_only=True):
    """What one supplier is asked to send. `net` is goods, fees and freight, without tax.

    `promised` is the day on which the last line should be there, ordered before the supplier's
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
        """Fees and freight together."""
        return self.net - self.goods


def split_orders(catalogue: Catalogue, shop: Shop, kit: Kit, on: date) -> tuple[PartsOrder, ...]:
    """Return the parts orders of a kit, one a supplier, sorted by supplier; lines sorted by
    item.
    """
    by_supplier: dict[SupplierId, list[Bought]] = {}
    for bought in kit.bought:
        by_supplier.setdefault(bought.source.supplier.id, []).append(bought)
    return tuple(_order(catalogue, shop, bought, on) for _, bought in sorted(by_supplier.items()))


def _order(catalogue: Catalogue, shop: Shop, bought: Sequence[Bought], on: date) -> PartsOrder:
    supplier = bought[0].source.supplier
    promised = {
        lead_days: arrival(shop, supplier, lead_days, on)
        for lead_days in {each.source.lead_days for each in bought}
    }
    lines = tuple(
        OrderLine(
            source=each.source,
            packs=each.packs,
            unit_cost=each.source.unit_cost(each.packs),
            net=each.source.line_cost(each.packs),
            promised=promised[each.source.lead_days],
            covers=each.covers,
        )
        for each in sorted(bought, key=lambda one: (one.source.item, one.source.sku))
    )
    goods = total((line.net for line in lines), supplier.currency)
    fees = tuple(_fees(catalogue, supplier, lines, goods))
    freight = _freight(supplier, lines, goods)
    return PartsOrder(
        supplier=supplier,
        lines=lines,
        goods=goods,
        fees=fees,
        freight=freight,
        net=total((goods, freight, *(fee.amount for fee in fees)), supplier.currency),
        promised=max(promised.values()),
    )


def _fees(
    catalogue: Catalogue, supplier: Supplier, lines: Sequence[OrderLine], goods: Money
) -> Iterator[OrderFee]:
    small = Money.of(supplier.small_order_fee, supplier.currency)
    if goods < Money.of(supplier.minimum_order, supplier.currency) and small.minor:
        yield OrderFee("small-order", small)
    hazmat = Money.of(supplier.hazmat_fee, supplier.currency)
    if hazmat.minor and any(_is_hazardous(catalogue, line) for line in lines):
        yield OrderFee("hazardous-goods", hazmat)


def _is_hazardous(catalogue: Catalogue, line: OrderLine) -> bool:
    consumable = catalogue.consumables.get(line.source.item)
    return consumable is not None and consumable.hazmat is not Hazmat.none


def _freight(supplier: Supplier, lines: Sequence[OrderLine], goods: Money) -> Money:
    """Return the freight: each bulky item's own by pack, and the supplier's flat one for the rest.

    The flat freight falls away where the goods reach the supplier's free-freight value.
    """
    freight = total(
        (
            Money.of(line.source.freight * line.packs, supplier.currency)
            for line in lines
            if line.source.freight is not None
        ),
        supplier.currency,
    )
    has_more = any(line.source.freight is None for line in lines)
    free_from = supplier.free_freight_from
    is_free = free_from is not None and goods >= Money.of(free_from, supplier.currency)
    if has_more and not is_free:
        freight += Money.of(supplier.freight, supplier.currency)
    return freight
