"""Lot: numbers of packs that may be taken together, from a source or from stock."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from copy import copy
from datetime import date
from functools import reduce
from operator import or_
from typing import Final

from msgspec import Struct

from kitwright.catalogue.model import (
    Catalogue,
    ItemId,
    PartSet,
    Quality,
    Shop,
    Supplier,
    SupplierId,
)
from kitwright.memory import Recent
from kitwright.money import Money
from kitwright.solve.cover import Pack, Uncoverable, least_cover
from kitwright.stages.kit.need import Need
from kitwright.stages.kit.part import KitPart
from kitwright.stages.kit.wanted import Wanted
from kitwright.stages.supply import Held, Source, Stock, Supply, Terms, opening_stock, promise

LotKey = tuple[str, str, int]
"""Supplier and its SKU (on the shelf: an empty word, item and bin), and packs bought together."""


InTime = tuple[date, date] | None
"""The day of the order and the day by which items are needed; None if they are not needed by any
day.
"""

MOST_PARTS: Final = 960
"""Covers that are remembered; they take a few KiB each."""


class Lot(Struct, frozen=True, kw_only=True):
    """Packs of one source that are bought together, or one set in stock.

    `holds` counts the wanted items that it fills, `contents` counts everything in it. `cost` is in
    minor units without tax. At most `limit` lots may be taken, and only one of each `group`.
    """

    key: LotKey
    item: ItemId
    quality: Quality
    holds: Mapping[ItemId, int]
    contents: Mapping[ItemId, int]
    cost: int
    limit: int | None
    group: str | None = None
    source: Source | None = None
    row: Held | None = None

    @property
    def packs(self) -> int:
        """The number of packs that are taken together."""
        return self.key[2]


class Chosen(Struct, frozen=True):
    """A lot, and how often it is taken."""

    lot: Lot
    times: int


class Covers:
    """The covers of needs that depend on each other, by the suppliers that are allowed."""

    __slots__ = ("by_suppliers", "most", "needs")

    def __init__(self, needs: tuple[Need, ...]) -> None:
        self.needs = needs
        self.by_suppliers: dict[int, KitPart] = {}
        self.most: tuple[int, ...] | None = None
        """A bound on what the goods cost from each supplier, None if it was not needed yet."""


class Market:
    """Everything that a shop may buy or take from stock, found by item.

    Results that do not depend on the quantity wanted are cached, at most one set for each item of
    the catalogue; so are the latest covers of needs.
    """

    def __init__(self, catalogue: Catalogue, shop: Shop, supply: Supply) -> None:
        self.catalogue = catalogue
        self.shop = shop
        self.supply = supply
        self._sets: dict[ItemId, list[PartSet]] = {}
        for record in catalogue.sets.values():
            for content in record.contents:
                self._sets.setdefault(content, []).append(record)
        self._group = _groups(catalogue)
        self._linear: dict[tuple[ItemId, Quality], tuple[Lot, ...]] = {}
        self._least: dict[tuple[ItemId, Quality], Lot | None] = {}
        self.parts: Recent[Hashable, Covers] = Recent(MOST_PARTS)
        """The latest covers, by their questions."""
        self.sellers = sellers = _sellers(supply)
        self.places = {seller.id: place for place, seller in enumerate(sellers)}
        """The place of each supplier; a set of suppliers is a number with these bits."""
        self.terms = tuple(map(Terms.of, sellers))
        """What each supplier charges besides goods, by place."""
        self.parcel = Money.of(shop.purchasing.parcel_cost, shop.currency).minor
        """What a further parcel costs the shop, in minor units."""
        self.bulky = frozenset(
            self.group(item)
            for item, sources in supply.sources.items()
            if any(source.freight is not None for source in sources)
        )
        """The groups with an item that has a freight of its own at any supplier."""
        self._selling: dict[ItemId, int] = {}
        for item, sources in supply.sources.items():
            bits = self._selling.get(self.group(item), 0)
            self._selling[self.group(item)] = bits | self.bits(
                source.supplier.id for source in sources
            )
        self._stock = Stock()
        self._held: dict[ItemId, tuple[Held, ...]] = {}
        self.stock = opening_stock(shop)

    @property
    def stock(self) -> Stock:
        """What is free on the shelves; at first, as the shop's file states it."""
        return self._stock

    @stock.setter
    def stock(self, stock: Stock) -> None:
        if stock is not self._stock:
            self._stock = stock
            held: dict[ItemId, list[Held]] = {}
            for item, rows in stock.rows.items():
                held.setdefault(self.group(item), []).extend(rows)
            self._held = {group: tuple(rows) for group, rows in held.items()}

    def held(self, group: ItemId) -> tuple[Held, ...]:
        """Return the free stock of all items of a group."""
        return self._held.get(group, ())

    def bits(self, suppliers: Iterable[SupplierId]) -> int:
        """Return a set of suppliers as the sum of their bits."""
        return reduce(or_, (1 << self.places[each] for each in suppliers), 0)

    def selling(self, group: ItemId) -> int:
        """Return the suppliers that sell any item of a group."""
        return self._selling.get(group, 0)

    def is_allowed(self, lot: Lot, allowed: int) -> bool:
        """Return whether a lot is from stock or from an allowed supplier."""
        return lot.source is None or bool(allowed >> self.places[lot.source.supplier.id] & 1)

    def of_allowed(self, lots: Sequence[Lot], allowed: int) -> Sequence[Lot]:
        """Return the lots that are from stock or from an allowed supplier."""
        return [lot for lot in lots if self.is_allowed(lot, allowed)]

    def without_stock(self) -> Market:
        """Return the market of a shop that buys everything."""
        bare = copy(self)
        bare.parts = Recent(MOST_PARTS)
        bare.stock = Stock()
        return bare

    def group(self, item: ItemId) -> ItemId:
        """Return the group of an item: items are in one group if sets or older numbers connect
        them. The cover of an item does not depend on items of other groups.
        """
        return self._group.get(item, item)

    def sets_with(self, numbers: Iterable[ItemId]) -> dict[ItemId, PartSet]:
        """Return the sets that any of some numbers are in."""
        return {record.id: record for number in numbers for record in self._sets.get(number, ())}

    def linear_lots(self, item: ItemId, floor: Quality) -> tuple[Lot, ...]:
        """Return the lots of an item from its linear sources, which fit any quantity wanted."""
        found = self._linear.get((item, floor))
        if found is None:
            found = self._linear[item, floor] = tuple(
                _bought(source, packs, holds, holds)
                for source in self.supply.eligible(item, floor)
                if source.is_linear
                for packs in source.lots(1)
                for holds in ({item: packs * source.pack},)
            )
        return found

    def least_lot(self, item: ItemId, floor: Quality, count: int) -> Lot | None:
        """Return the lot of one piece with which `count` pieces of an item are bought at least
        cost, None if finding the least cost needs a search.
        """
        if (item, floor) not in self._least:
            lots = self.linear_lots(item, floor)
            is_by_piece = all(lot.holds[item] == 1 for lot in lots)
            is_simple = is_by_piece and len(lots) == len(self.supply.eligible(item, floor))
            self._least[item, floor] = (
                min(lots, key=lambda lot: (lot.cost, lot.key)) if lots and is_simple else None
            )
        lot = self._least[item, floor]
        return lot if lot is not None and (lot.limit is None or lot.limit >= count) else None


def _sellers(supply: Supply) -> list[Supplier]:
    """Return the suppliers of a shop, sorted by id."""
    found = {each.supplier.id: each.supplier for some in supply.sources.values() for each in some}
    return [found[name] for name in sorted(found)]


def _groups(catalogue: Catalogue) -> dict[ItemId, ItemId]:
    """Return, for every set and part, the number that represents its group (see `Market.group`)."""
    leader: dict[ItemId, ItemId] = {}

    def find(item: ItemId) -> ItemId:
        while leader.setdefault(item, item) != item:
            item = leader[item]
        return item

    for record in catalogue.sets.values():
        for content in record.contents:
            leader[find(content)] = find(record.id)
    for part in catalogue.parts.values():
        if part.superseded_by is not None:
            leader[find(part.id)] = find(part.superseded_by)
    return {item: find(item) for item in leader}


def find_lots(
    market: Market,
    wanted: Wanted,
    pieces: Mapping[ItemId, int],
    sets: Mapping[ItemId, PartSet],
) -> tuple[Lot, ...]:
    """Return every lot that would fill any of the wanted pieces, in the order of their keys. Of the
    sets, only the given ones are used.
    """
    lots = [
        *_piece_lots(market, wanted, pieces),
        *_set_lots(market.supply, wanted, pieces, sets.values()),
        *_shelf_lots(market.stock, wanted, pieces, sets),
    ]
    return tuple(sorted(lots, key=lambda lot: lot.key))


def _wanted_sets(
    market: Market, wanted: Wanted, pieces: Mapping[ItemId, int]
) -> dict[ItemId, PartSet]:
    """Return the sets that contain any of the wanted pieces."""
    numbers = {
        number
        for item in pieces
        for need in wanted.needs(item)
        for number in need.acceptable
        if wanted.fills_all(number, Quality.maker) == item
    }
    return market.sets_with(numbers)


class Choice(Struct, frozen=True, kw_only=True):
    """The lots that fill the wanted pieces, and the pieces that no lot fills.

    `is_least` says that the cost is certain to be the least; only for very complex kits is it not.
    """

    chosen: tuple[Chosen, ...]
    short: Mapping[ItemId, int]
    is_least: bool


def choose_lots(
    market: Market,
    wanted: Wanted,
    items: Iterable[ItemId],
    *,
    in_time: InTime,
    allowed: int,
) -> Choice:
    """Return the cheapest lots that fill the wanted pieces of some items, from stock and from the
    suppliers that are `allowed` (see `Market.bits`).

    With `in_time`, only lots that arrive in time are used. Pieces that none of them fills are
    covered separately, by the lots that arrive earliest.
    """
    shop, pieces = market.shop, wanted.pieces(items)
    sets = _wanted_sets(market, wanted, pieces)
    if in_time is None:
        return _cheapest_at_any_time(market, wanted, pieces, sets, allowed)
    on, needed_by = in_time
    lots = market.of_allowed(find_lots(market, wanted, pieces, sets), allowed)
    early = [
        lot for lot in lots if lot.source is None or promise(shop, lot.source, on) <= needed_by
    ]
    choice = _cheapest(early, pieces)
    late = [lot for lot in lots if lot not in early]
    while choice.short:
        earliest = {
            lot.key: lot for item in choice.short for lot in _earliest(shop, late, item, on)
        }
        if not earliest:
            break
        more = _cheapest(tuple(earliest.values()), choice.short)
        choice = Choice(
            chosen=(*choice.chosen, *more.chosen),
            short=more.short,
            is_least=choice.is_least and more.is_least,
        )
        late = [lot for lot in late if lot.key not in earliest]
    return choice


def _cheapest_at_any_time(
    market: Market,
    wanted: Wanted,
    pieces: Mapping[ItemId, int],
    sets: Mapping[ItemId, PartSet],
    allowed: int,
) -> Choice:
    """Return the cheapest lots for the pieces that can be filled.

    Items that are not in any set and are bought by the piece from one source need no search.
    """
    in_sets = {wanted.item_of(content) for record in sets.values() for content in record.contents}
    plain: list[Chosen] = []
    tangled: dict[ItemId, int] = {}
    for item, count in pieces.items():
        lot = None if item in in_sets else market.least_lot(item, wanted.floor(item), count)
        if lot is None or not market.is_allowed(lot, allowed):
            tangled[item] = count
        else:
            plain.append(Chosen(lot, count))
    if not tangled:
        return Choice(chosen=tuple(plain), short={}, is_least=True)
    lots = market.of_allowed(find_lots(market, wanted, tangled, sets), allowed)
    choice = _cheapest(lots, tangled)
    return Choice(chosen=(*plain, *choice.chosen), short=choice.short, is_least=choice.is_least)


def _cheapest(lots: Sequence[Lot], pieces: Mapping[ItemId, int]) -> Choice:
    """Return the cheapest lots for the pieces that can be filled."""
    wanted = dict(pieces)
    packs = [_pack(lot) for lot in lots]
    short: dict[ItemId, int] = {}
    try:
        cover = least_cover(wanted, packs)
    except Uncoverable as error:
        # each item by itself: the largest lots of all sources can be taken together
        for each in error.needs:
            short[each.need] = each.wanted - each.available
            wanted[each.need] = each.available
        cover = least_cover({item: count for item, count in wanted.items() if count}, packs)
    by_key = {lot.key: lot for lot in lots}
    return Choice(
        chosen=tuple(Chosen(by_key[key], times) for key, times in cover.packs),
        short=short,
        is_least=cover.is_proven,
    )


def _pack(lot: Lot) -> Pack[LotKey, ItemId]:
    return Pack(id=lot.key, holds=lot.holds, cost=lot.cost, limit=lot.limit, group=lot.group)


def _earliest(shop: Shop, lots: Iterable[Lot], item: ItemId, on: date) -> list[Lot]:
    filling = [
        (promise(shop, lot.source, on), lot)
        for lot in lots
        if item in lot.holds and lot.source is not None
    ]
    first = min((day for day, _ in filling), default=None)
    return [lot for day, lot in filling if day == first]


def _piece_lots(market: Market, wanted: Wanted, pieces: Mapping[ItemId, int]) -> Iterator[Lot]:
    for item, count in pieces.items():
        floor = wanted.floor(item)
        yield from market.linear_lots(item, floor)
        for source in market.supply.eligible(item, floor):
            for packs in () if source.is_linear else source.lots(count):
                holds = {item: packs * source.pack}
                yield _bought(source, packs, holds, holds)


def _set_lots(
    supply: Supply, wanted: Wanted, pieces: Mapping[ItemId, int], sets: Iterable[PartSet]
) -> Iterator[Lot]:
    for record in sets:
        holds: dict[Quality, dict[ItemId, int]] = {}
        for source in supply.eligible(record.id, Quality.alternate):
            quality = source.quality
            if quality not in holds:
                holds[quality] = _holds(wanted, pieces, record, quality)
            one = holds[quality]
            most = max((-(-pieces[item] // count) for item, count in one.items()), default=0)
            for packs in source.lots(most) if most else ():
                copies = packs * source.pack
                yield _bought(
                    source,
                    packs,
                    {item: count * copies for item, count in one.items()},
                    {item: count * copies for item, count in record.contents.items()},
                )


def _shelf_lots(
    stock: Stock, wanted: Wanted, pieces: Mapping[ItemId, int], sets: Mapping[ItemId, PartSet]
) -> Iterator[Lot]:
    """Yield the sets in stock; opening one costs the shop its purchase price."""
    for item, record in sets.items():
        for row in stock.rows.get(item, ()):
            if row.free < 1:
                continue
            holds = _holds(wanted, pieces, record, row.quality)
            if holds:
                yield Lot(
                    key=("", f"{row.item} {row.quality.value} {row.bin}", 1),
                    item=row.item,
                    quality=row.quality,
                    holds=holds,
                    contents=record.contents,
                    cost=row.cost,
                    limit=int(row.free),
                    row=row,
                )


def _bought(
    source: Source, packs: int, holds: Mapping[ItemId, int], contents: Mapping[ItemId, int]
) -> Lot:
    supplier = source.supplier.id
    limit: int | None = 1
    if source.is_linear:
        is_counted = source.stock is not None and not source.is_back_order
        limit = (source.stock or 0) // packs if is_counted else None
    return Lot(
        key=(supplier, source.sku, packs),
        item=source.item,
        quality=source.quality,
        holds=holds,
        contents=contents,
        cost=source.line_cost(packs).minor,
        limit=limit,
        # other numbers of packs of one source are alternatives
        group=None if source.is_linear else f"{supplier}:{source.sku}",
        source=source,
    )


def _holds(
    wanted: Wanted, pieces: Mapping[ItemId, int], record: PartSet, quality: Quality
) -> dict[ItemId, int]:
    """Return the wanted items that one set fills, with the number of each in it."""
    holds: dict[ItemId, int] = {}
    for content, count in record.contents.items():
        filled = wanted.fills_all(content, quality)
        if filled in pieces and filled is not None:
            holds[filled] = holds.get(filled, 0) + count
    return holds
