"""Goods: the priced lines of parts, sets, consumables and their core deposits."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from fractions import Fraction
from math import ceil

from kitwright.catalogue.model import (
    Bill,
    Catalogue,
    ChargeKind,
    ItemId,
    Quality,
    Shop,
)
from kitwright.money import Money
from kitwright.stages.kit import Brought, Kit
from kitwright.stages.line import LineKind, PricedLine, price_line
from kitwright.stages.need import Need
from kitwright.stages.selling import Prices
from kitwright.stages.wanted import Covered
from kitwright.stages.why import Fact, Why
from kitwright.units import exact


def price_goods(
    catalogue: Catalogue, shop: Shop, selling: Prices, kit: Kit
) -> tuple[PricedLine, ...]:
    """Return the lines of what is fitted and used: sets, then parts, consumables and core
    deposits, by item.

    A set sells as one line at the lower of its own price and the pieces it stands for. A
    consumable is charged by what is really used, as a share of its pack. Needs without a
    source, and those that wait for the plate, are priced like the rest.
    """
    prices = _KitPrices(selling, shop.currency, kit)
    in_sets = list(_sets(catalogue, kit))
    lines = [_set_line(prices, *each) for each in in_sets]
    covered = [cover for *_, covers in in_sets for cover in covers]
    covered += [cover for each in kit.brought for cover in each.covers]
    open_amounts = _beside(kit, covered)
    lines += [
        _brought_line(prices.currency, each, is_set=each.item in catalogue.sets)
        for each in kit.brought
    ]
    for item, needs in sorted(_by_item(kit).items()):
        amount = open_amounts[item]
        if amount and item in catalogue.consumables:
            lines.append(_consumable_line(catalogue, prices, item, amount, needs))
        elif amount:
            lines.append(_part_line(prices, item, amount, needs))
    lines.sort(key=lambda line: (_ORDER[line.kind], line.code))
    return (*lines, *_cores(catalogue, shop, lines))


_ORDER = {
    LineKind.part_set: 0,
    LineKind.part: 1,
    LineKind.brought: 2,
    LineKind.consumable: 3,
}


class _KitPrices:
    """Selling prices of a kit's items, at the strictest floor among the roles that each fills."""

    def __init__(self, prices: Prices, currency: str, kit: Kit) -> None:
        self.currency = currency
        self._prices = prices
        self._floors: dict[ItemId, Quality] = {}
        for need in kit.needs:
            if self._floors.get(need.item) is not Quality.maker:
                self._floors[need.item] = need.floor

    def of(self, item: ItemId) -> Decimal:
        """Return the selling price of one item as sold."""
        return self._prices.of(item, self._floors[item])

    def of_set(self, item: ItemId, covers: Sequence[Covered]) -> Decimal:
        """Return the selling price of a set, at the strictest floor among the roles it fills."""
        floors = {each.need.floor for each in covers}
        strict = Quality.maker if Quality.maker in floors else Quality.alternate
        return self._prices.of(item, strict)


def _by_item(kit: Kit) -> dict[ItemId, list[Need]]:
    needs: dict[ItemId, list[Need]] = {}
    for need in kit.needs:
        needs.setdefault(need.item, []).append(need)
    return needs


def _sets(catalogue: Catalogue, kit: Kit) -> Iterator[tuple[ItemId, int, tuple[Covered, ...]]]:
    """Yield the sets of a kit, from the shelf or bought: number, how many, what they stand for."""
    copies: dict[ItemId, int] = {}
    covers: dict[ItemId, tuple[Covered, ...]] = {}
    found = [(taken.item, int(taken.quantity), taken.covers) for taken in kit.from_stock]
    found += [
        (bought.source.item, bought.packs * bought.source.pack, bought.covers)
        for bought in kit.bought
    ]
    for item, count, filled in found:
        if item in catalogue.sets:
            copies[item] = copies.get(item, 0) + count
            covers[item] = (*covers.get(item, ()), *filled)
    for item, count in copies.items():
        yield item, count, covers[item]


def _beside(kit: Kit, covered: list[Covered]) -> dict[ItemId, Fraction]:
    """Return how much of each item is neither in a set nor brought."""
    amounts: dict[ItemId, Fraction] = {}
    for need in kit.needs:
        amounts[need.item] = amounts.get(need.item, Fraction(0)) + exact(need.quantity)
    for each in covered:
        amounts[each.need.item] -= each.quantity
    return amounts


def _set_line(
    prices: _KitPrices,
    item: ItemId,
    copies: int,
    covers: tuple[Covered, ...],
) -> PricedLine:
    pieces = sum(
        (exact(prices.of(each.need.item)) * each.quantity for each in covers), start=Fraction(0)
    )
    own = prices.of_set(item, covers)
    is_lower = exact(own) * copies <= pieces
    facts: dict[str, Fact] = {
        "set_price": Money.of(exact(own) * copies, prices.currency),
        "pieces_price": Money.of(pieces, prices.currency),
        "pieces": int(sum(each.quantity for each in covers)),
    }
    why = Why("set-for-pieces" if is_lower else "set-at-price-of-pieces", facts)
    return price_line(
        LineKind.part_set,
        item,
        quantity=copies,
        unit="set",
        # where the pieces are cheaper, all copies together cost what they do
        unit_price=own if is_lower else Money.of(pieces, prices.currency).amount,
        base_quantity=1 if is_lower else copies,
        currency=prices.currency,
        tax_kind=ChargeKind.part,
        why=(why, *(reason for each in covers for reason in need_reasons(each.need))),
    )


def need_reasons(need: Need) -> Iterator[Why]:
    """Yield a need's reasons as a line gives them: with the role that each is about."""
    for why in need.why:
        yield Why(why.code, {"role": need.role, "on": need.cylinder, **why.facts})


def _part_line(prices: _KitPrices, item: ItemId, amount: Fraction, needs: list[Need]) -> PricedLine:
    return price_line(
        LineKind.part,
        item,
        quantity=int(amount),
        unit="piece",
        unit_price=prices.of(item),
        currency=prices.currency,
        tax_kind=ChargeKind.part,
        why=[reason for need in needs for reason in need_reasons(need)],
    )


def _brought_line(currency: str, brought: Brought, *, is_set: bool) -> PricedLine:
    reasons = [why for each in brought.covers for why in need_reasons(each.need)]
    return price_line(
        LineKind.brought,
        brought.item,
        quantity=brought.quantity,
        unit="set" if is_set else "piece",
        unit_price=Decimal(0),
        currency=currency,
        tax_kind=ChargeKind.part,
        why=(Why("customer-brings", {"item": brought.item}), *reasons),
    )


def _consumable_line(
    catalogue: Catalogue, prices: _KitPrices, item: ItemId, amount: Fraction, needs: list[Need]
) -> PricedLine:
    record = catalogue.consumables[item]
    is_by_pack = record.bill is Bill.pack
    packs = ceil(amount / exact(record.pack))
    return price_line(
        LineKind.consumable,
        item,
        quantity=packs if is_by_pack else Decimal(amount.numerator) / amount.denominator,
        unit="piece" if is_by_pack else record.unit,
        unit_price=prices.of(item),
        base_quantity=1 if is_by_pack else record.pack,
        currency=prices.currency,
        tax_kind=ChargeKind.consumable,
        why=[reason for need in needs for reason in need_reasons(need)],
    )


def _cores(catalogue: Catalogue, shop: Shop, lines: list[PricedLine]) -> Iterator[PricedLine]:
    """Yield the refundable deposits of parts whose old one goes back."""
    for line in lines:
        part = catalogue.parts.get(ItemId(line.code))
        deposit = part.core_deposit.get(shop.price_list) if part is not None else None
        if deposit and line.kind is LineKind.part:
            yield price_line(
                LineKind.core,
                line.code,
                quantity=line.quantity,
                unit="piece",
                unit_price=deposit,
                currency=shop.currency,
                tax_kind=ChargeKind.core,
                why=(Why("core-deposit", {"item": line.code}),),
            )
