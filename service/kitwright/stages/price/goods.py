"""Goods: the priced lines of parts, sets, consumables and their core deposits."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from fractions import Fraction
from math import ceil
from typing import Final
from weakref import WeakKeyDictionary

from msgspec import Struct

from kitwright.catalogue.model import (
    Bill,
    Catalogue,
    ChargeKind,
    ItemId,
    Quality,
    Shop,
)
from kitwright.money import Money
from kitwright.stages.kit import Brought, Covered, Kit, KitPart, Need
from kitwright.stages.price.line import LineKind, Make, PricedLine, price_line
from kitwright.stages.supply import Prices
from kitwright.stages.why import Fact, Why
from kitwright.units import exact


class Goods:
    """Prices the parts and consumables of a shop's kits.

    The lines of a kit's part are remembered as long as the part is.
    """

    def __init__(self, catalogue: Catalogue, shop: Shop, selling: Prices) -> None:
        self._catalogue = catalogue
        self._shop = shop
        self._selling = selling
        self._lines: WeakKeyDictionary[KitPart, tuple[PricedLine, ...]] = WeakKeyDictionary()

    def lines(self, kit: Kit) -> tuple[PricedLine, ...]:
        """Return the lines of parts and consumables: sets, then parts, consumables and core
        deposits, each by item.

        A set is sold as one line, at the lower of its own price and the price of the pieces that it
        replaces. A part's line has the number that is fitted, so older stock that is used up has
        its own line. A consumable is charged by the quantity used, as a share of its pack. Needs
        without a source, and needs that depend on the engine's plate, are priced like the others.
        """
        lines = [line for part in kit.parts for line in self._lines_of(part)]
        lines.sort(key=lambda line: (_ORDER[line.kind], line.code))
        return tuple(lines)

    def _lines_of(self, part: KitPart) -> tuple[PricedLine, ...]:
        lines = self._lines.get(part)
        if lines is None:
            goods = tuple(_lines_of(self._catalogue, self._selling, self._shop.currency, part))
            lines = (*goods, *_cores(self._catalogue, self._shop, goods))
            self._lines[part] = lines
        return lines


STOCK: Final = "stock"
"""The source of a line's pieces that are taken from stock."""
CUSTOMER: Final = "customer"
"""The source of a line's pieces that the customer brings."""


def _lines_of(
    catalogue: Catalogue, selling: Prices, currency: str, kit: KitPart
) -> Iterator[PricedLine]:
    prices = _KitPrices(selling, currency, kit)
    for item, each in _sets(catalogue, kit).items():
        yield _set_line(prices, item, each)
    for brought in kit.brought:
        yield _brought_line(prices.currency, brought, is_set=brought.item in catalogue.sets)
    for number, pieces in _fitted(catalogue, kit).items():
        if number in catalogue.consumables:
            yield _consumable_line(catalogue, prices, number, pieces)
        else:
            yield _part_line(prices, number, pieces)


_ORDER: Final = {
    LineKind.part_set: 0,
    LineKind.part: 1,
    LineKind.brought: 2,
    LineKind.consumable: 3,
    LineKind.core: 4,
}

GOODS: Final = frozenset(_ORDER)
"""The kinds of lines for parts, consumables and core deposits."""


class _Piece(Struct, frozen=True):
    """The quantity of a need that is not filled from sets, its make and its source; both are None
    if not known yet.
    """

    need: Need
    quantity: Fraction
    make: str | None
    source: str | None


_NOTHING: Final = Fraction(0)


def _sum(pieces: Sequence[_Piece]) -> Fraction:
    first, *more = pieces
    return sum((piece.quantity for piece in more), start=first.quantity)


class _KitPrices:
    """Selling prices of a kit's items, at the strictest floor among the roles that each fills, and
    at the cost of the dearest offer that each is bought from.
    """

    def __init__(self, prices: Prices, currency: str, kit: KitPart) -> None:
        self.currency = currency
        self._prices = prices
        self._floors: dict[ItemId, Quality] = {}
        self._costs: dict[ItemId, Fraction] = {}
        for each in kit.bought:
            item, cost = each.source.item, each.source.cost_of_one
            self._costs[item] = max(cost, self._costs.get(item, cost))
        for need in kit.needs:
            if self._floors.get(need.item) is not Quality.maker:
                self._floors[need.item] = need.floor

    def of(self, item: ItemId, number: ItemId | None = None) -> Decimal:
        """Return the selling price of one item as sold, or of an older number fitted for it."""
        return self._prices.of(number or item, self._floors[item], self._costs.get(item))

    def of_set(self, item: ItemId, covers: Sequence[Covered]) -> Decimal:
        """Return the selling price of a set, at the strictest floor among the roles it fills."""
        floors = {each.need.floor for each in covers}
        strict = Quality.maker if Quality.maker in floors else Quality.alternate
        return self._prices.of(item, strict, self._costs.get(item))


class _Taken(Struct, frozen=True):
    """Pieces or sets of an item that are taken from stock or bought: make, source, whole number,
    and the needs that they fill.
    """

    item: ItemId
    make: str | None
    source: str
    count: int
    covers: tuple[Covered, ...]


def _sets(catalogue: Catalogue, kit: KitPart) -> dict[ItemId, list[_Taken]]:
    """Return the sets of a kit, from the shelf or bought."""
    found: dict[ItemId, list[_Taken]] = {}
    for taken in _packs(kit):
        if taken.item in catalogue.sets:
            found.setdefault(taken.item, []).append(taken)
    return found


def _packs(kit: KitPart) -> Iterator[_Taken]:
    """Yield the pieces and sets that are taken from stock or bought."""
    for taken in kit.from_stock:
        yield _Taken(taken.item, taken.make, STOCK, int(taken.quantity), taken.covers)
    for bought in kit.bought:
        source, count = bought.source, bought.packs * bought.source.pack
        yield _Taken(source.item, source.brand, source.supplier.id, count, bought.covers)


def _fitted(catalogue: Catalogue, kit: KitPart) -> dict[ItemId, list[_Piece]]:
    """Return the pieces that fill needs, without sets and the customer's parts, by the number that
    is fitted, in the order of the needs. Pieces without a source are under the needs' own number.
    """
    places = {id(need): place for place, need in enumerate(kit.needs)}
    filled: dict[int, Fraction] = {}
    found: list[tuple[int, ItemId, _Piece]] = []

    def fill(cover: Covered) -> int:
        place = places[id(cover.need)]
        before = filled.get(place)
        filled[place] = cover.quantity if before is None else before + cover.quantity
        return place

    for taken in _packs(kit):
        for each in taken.covers:
            place = fill(each)
            if taken.item not in catalogue.sets:
                piece = _Piece(each.need, each.quantity, taken.make, taken.source)
                found.append((place, each.number, piece))
    for brought in kit.brought:
        for each in brought.covers:
            fill(each)
    for place, need in enumerate(kit.needs):
        given = filled.get(place, _NOTHING)
        # most needs are filled, which this shows without computing a fraction
        if given.as_integer_ratio() != need.quantity.as_integer_ratio():
            rest = exact(need.quantity) - given
            found.append((place, need.item, _Piece(need, rest, None, None)))
    pieces: dict[ItemId, list[_Piece]] = {}
    for _, number, piece in sorted(found, key=lambda one: one[0]):
        pieces.setdefault(number, []).append(piece)
    return pieces


def _makes(counts: Iterable[tuple[str | None, Fraction | int]]) -> tuple[Make, ...]:
    """Return the number of pieces of each make, by name; unknown makes come last."""
    made: dict[str | None, Fraction | int] = {}
    for name, count in counts:
        made[name] = made.get(name, 0) + count
    ordered = sorted(made.items(), key=lambda one: (one[0] is None, one[0] or ""))
    return tuple(Make(name, Decimal(int(count))) for name, count in ordered)


def _set_line(
    prices: _KitPrices,
    item: ItemId,
    sets: Sequence[_Taken],
) -> PricedLine:
    copies = sum(taken.count for taken in sets)
    covers = [each for taken in sets for each in taken.covers]
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
        # if the pieces are cheaper, all copies together have the price of the pieces
        unit_price=own if is_lower else Money.of(pieces, prices.currency).amount,
        base_quantity=1 if is_lower else copies,
        currency=prices.currency,
        tax_kind=ChargeKind.part,
        why=(why, *(reason for each in covers for reason in need_reasons(each.need))),
        makes=_makes((taken.make, taken.count) for taken in sets),
        places=_places(each.need for each in covers),
        sources=(taken.source for taken in sets),
    )


def need_reasons(need: Need) -> Iterator[Why]:
    """Yield a need's reasons for a line, each with the role that it is about."""
    for why in need.why:
        yield Why(why.code, {"role": need.role, "on": need.cylinder, **why.facts})


def _places(needs: Iterable[Need]) -> Iterator[tuple[str, int | None]]:
    """Yield the roles of the needs with their cylinders, each once."""
    yield from dict.fromkeys((need.role, need.cylinder) for need in needs)


def _needs_of(pieces: Iterable[_Piece]) -> list[Need]:
    """Return the needs that some pieces fill, each once."""
    return list({id(piece.need): piece.need for piece in pieces}.values())


def _part_line(prices: _KitPrices, number: ItemId, pieces: list[_Piece]) -> PricedLine:
    item = pieces[0].need.item
    used_up = (Why("used-up", {"item": number, "current": item}),) if number != item else ()
    reasons = [why for need in _needs_of(pieces) for why in need_reasons(need)]
    return price_line(
        LineKind.part,
        number,
        quantity=int(_sum(pieces)),
        unit="piece",
        unit_price=prices.of(item, number),
        currency=prices.currency,
        tax_kind=ChargeKind.part,
        why=(*used_up, *reasons),
        makes=_makes((piece.make, piece.quantity) for piece in pieces),
        places=_places(piece.need for piece in pieces),
        sources=(piece.source for piece in pieces),
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
        places=_places(each.need for each in brought.covers),
        sources=(CUSTOMER,),
    )


def _consumable_line(
    catalogue: Catalogue, prices: _KitPrices, item: ItemId, pieces: list[_Piece]
) -> PricedLine:
    record = catalogue.consumables[item]
    amount = _sum(pieces)
    is_by_pack = record.bill is Bill.pack
    quantity = Decimal(amount.numerator)
    if is_by_pack:
        quantity = Decimal(ceil(amount / exact(record.pack)))
    elif amount.denominator != 1:
        quantity /= amount.denominator
    return price_line(
        LineKind.consumable,
        item,
        quantity=quantity,
        unit="piece" if is_by_pack else record.unit,
        unit_price=prices.of(item),
        base_quantity=1 if is_by_pack else record.pack,
        currency=prices.currency,
        tax_kind=ChargeKind.consumable,
        why=[reason for need in _needs_of(pieces) for reason in need_reasons(need)],
        places=_places(piece.need for piece in pieces),
        sources=(piece.source for piece in pieces),
    )


def _cores(catalogue: Catalogue, shop: Shop, lines: Sequence[PricedLine]) -> Iterator[PricedLine]:
    """Yield the refundable core deposits of parts whose old part is returned."""
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
                places=line.places,
                sources=line.sources,
            )
