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
from kitwright.stages.supply import Held, Source, Stock, Supply, Terms, arrival, opening_stock

LotKey = tuple[str, str, int]
"""Supplier and its SKU (on the shelf: an empty word, item and bin), and packs bought together."""


InTime = tuple[date, date] | None
"""The day of the order and the day by which items are needed; None if they are not needed by any
day.
"""

MOST_PARTS: Final = 640
"""Covers that are remembered; they take a few KiB each."""

MOST_DAYS: Final = 64
"""Covers of the same needs that are remembered, for different suppliers and days."""

MOST_LOTS: Final = 512
"""Items, with a number of pieces, whose lots are remembered."""


class Lot(Pack[LotKey, ItemId], frozen=True, kw_only=True):
    """Packs of one source that are bought together, or one set in stock.

    `holds` counts the wanted items that it fills, `contents` counts everything in it. `cost` is in
    minor units without tax. At most `limit` lots may be taken, and only one of each `group`.
    """

    item: ItemId
    quality: Quality
    contents: Mapping[ItemId, int]
    source: Source | None = None
    row: Held | None = None

    @property
    def packs(self) -> int:
        """The number of packs that are taken together."""
        return self.id[2]


class Chosen(Struct, frozen=True):
    """A lot, and how often it is taken."""

    lot: Lot
    times: int


class Covers:
    """The latest covers of needs that depend on each other, by the suppliers that are allowed and
    the days.
    """

    __slots__ = ("held", "most", "needs", "parts", "selling")

    def __init__(self, needs: tuple[Need, ...], held: tuple[Held, ...], selling: int) -> None:
        self.needs = needs
        self.held = held
        self.selling = selling
        """The suppliers that sell anything needed, as bits (see `Market.bits`)."""
        self.parts: dict[tuple[int, InTime], KitPart] = {}
        self.most: tuple[int, ...] | None = None
        """A bound on what the goods cost from each supplier, None if it was not needed yet."""

    def put(self, question: tuple[int, InTime], part: KitPart) -> None:
        """Store a cover. If there are too many, all others are dropped."""
        if len(self.parts) >= MOST_DAYS:
            self.parts.clear()
        self.parts[question] = part


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
        self.lots: Recent[tuple[ItemId, Quality, int], tuple[Lot, ...]] = Recent(MOST_LOTS)
        self._least: dict[tuple[ItemId, Quality, int], Lot | None] = {}
        self._dearest: Recent[tuple[ItemId, int], Mapping[int, int]] = Recent(MOST_LOTS)
        self._arrivals: Recent[tuple[int, int, date], date] = Recent(MOST_LOTS)
        self.parts: Recent[Hashable, Covers] = Recent(MOST_PARTS)
        """The latest covers, by their questions."""
        self.choices: Recent[Hashable, Choice] = Recent(MOST_PARTS)
        """The latest choices of lots, by what they depend on."""
        self.offers: Recent[Hashable, Offers] = Recent(MOST_PARTS)
        """The latest offers for what is needed, by what they depend on."""
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
            # equal rows stay the same object, so that what follows from them is found by identity
            before = self._held
            self._held = {
                group: there if there == rows else rows
                for group, some in held.items()
                for rows in (tuple(some),)
                for there in (before.get(group),)
            }

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
        bare.choices = Recent(MOST_PARTS)
        bare.offers = Recent(MOST_PARTS)
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

    def piece_lots(self, item: ItemId, floor: Quality, count: int) -> tuple[Lot, ...]:
        """Return the lots of an item by itself that may be worth buying for up to some pieces."""
        question = item, floor, count
        lots = self.lots.get(question)
        if lots is None:
            lots = tuple(
                _bought(source, packs, holds, holds)
                for source in self.supply.eligible(item, floor)
                for packs in source.lots(count)
                for holds in ({item: packs * source.pack},)
            )
            self.lots.put(question, lots)
        return lots

    def least_lot(self, item: ItemId, floor: Quality, count: int, allowed: int) -> Lot | None:
        """Return the lot of one piece with which `count` pieces of an item are bought at least
        cost from the allowed suppliers, None if finding the least cost needs a search.
        """
        question = item, floor, allowed & self.selling(item)
        if question not in self._least:
            lots = self.of_allowed(self.piece_lots(item, floor, 1), allowed)
            is_simple = all(lot.group is None and lot.holds[item] == 1 for lot in lots)
            self._least[question] = (
                min(lots, key=lambda lot: (lot.cost, lot.id)) if lots and is_simple else None
            )
        lot = self._least[question]
        return lot if lot is not None and (lot.limit is None or lot.limit >= count) else None

    def dearest(self, item: ItemId, count: int) -> Mapping[int, int]:
        """Return what `count` pieces of an item cost at most from each supplier that sells it, in
        minor units, by the supplier's place.
        """
        dearest = self._dearest.get((item, count))
        if dearest is None:
            dearest = {}
            for source in self.supply.sources.get(item, ()):
                place = self.places[source.supplier.id]
                cost = source.line_cost(source.allowed(-(-count // source.pack))).minor
                dearest[place] = max(dearest.get(place, 0), cost)
            self._dearest.put((item, count), dearest)
        return dearest

    def arrival(self, place: int, lead_days: int, on: date) -> date:
        """Return the day on which goods from a supplier should arrive (see `supply.arrival`)."""
        question = place, lead_days, on
        day = self._arrivals.get(question)
        if day is None:
            day = arrival(self.shop, self.sellers[place], lead_days, on)
            self._arrivals.put(question, day)
        return day

    def promise(self, lot: Lot, on: date) -> date:
        """Return the day on which a lot is there: that of the order, if it is in stock."""
        source = lot.source
        if source is None:
            return on
        return self.arrival(self.places[source.supplier.id], source.lead_days, on)


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
    return tuple(sorted(lots, key=lambda lot: lot.id))


class Offers(Struct, frozen=True):
    """Pieces that are wanted, by item, and every lot that would fill any of them."""

    pieces: Mapping[ItemId, int]
    lots: tuple[Lot, ...]


def find_offers(market: Market, wanted: Wanted) -> Offers:
    """Return what is still wanted, with every lot that would fill any of it."""
    pieces = wanted.pieces(wanted.items)
    return Offers(pieces, find_lots(market, wanted, pieces, _wanted_sets(market, wanted, pieces)))


def first_day(market: Market, offers: Offers, on: date) -> date:
    """Return the first day on which as much of what is wanted can be there as ever can, if it is
    ordered on a day, whatever it costs.
    """
    days = [(market.promise(lot, on), lot) for lot in offers.lots]
    lots_by_day = sorted(days, key=lambda one: one[0])
    last = on
    for item, count in offers.pieces.items():
        first, there = on, 0
        most: dict[LotKey | str, int] = {}
        for day, lot in lots_by_day:
            held = lot.holds.get(item, 0)
            if held and there < count:
                # of alternatives, only one is bought
                kind = lot.group or lot.id
                more = held * (count if lot.limit is None else lot.limit)
                there += max(0, more - most.get(kind, 0))
                most[kind] = max(more, most.get(kind, 0))
                first = day
        last = max(last, first)
    return last


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
    pieces = wanted.pieces(items)
    sets = _wanted_sets(market, wanted, pieces)
    if in_time is None:
        return _cheapest_at_any_time(market, wanted, pieces, sets, allowed)
    on, needed_by = in_time
    lots = market.of_allowed(find_lots(market, wanted, pieces, sets), allowed)
    early = [lot for lot in lots if market.promise(lot, on) <= needed_by]
    choice = _cheapest(early, pieces)
    late = [lot for lot in lots if lot not in early]
    while choice.short:
        earliest = {
            lot.id: lot for item in choice.short for lot in _earliest(market, late, item, on)
        }
        if not earliest:
            break
        more = _cheapest(tuple(earliest.values()), choice.short)
        choice = Choice(
            chosen=(*choice.chosen, *more.chosen),
            short=more.short,
            is_least=choice.is_least and more.is_least,
        )
        late = [lot for lot in late if lot.id not in earliest]
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
        floor = wanted.floor(item)
        lot = None if item in in_sets else market.least_lot(item, floor, count, allowed)
        if lot is None:
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
    short: dict[ItemId, int] = {}
    try:
        cover = least_cover(wanted, lots)
    except Uncoverable as error:
        # each item by itself: the largest lots of all sources can be taken together
        for each in error.needs:
            short[each.need] = each.wanted - each.available
            wanted[each.need] = each.available
        cover = least_cover({item: count for item, count in wanted.items() if count}, lots)
    by_id = {lot.id: lot for lot in lots}
    return Choice(
        chosen=tuple(Chosen(by_id[key], times) for key, times in cover.packs),
        short=short,
        is_least=cover.is_proven,
    )


def _earliest(market: Market, lots: Iterable[Lot], item: ItemId, on: date) -> list[Lot]:
    filling = [(market.promise(lot, on), lot) for lot in lots if item in lot.holds]
    first = min((day for day, _ in filling), default=None)
    return [lot for day, lot in filling if day == first]


def _piece_lots(market: Market, wanted: Wanted, pieces: Mapping[ItemId, int]) -> Iterator[Lot]:
    for item, count in pieces.items():
        yield from market.piece_lots(item, wanted.floor(item), count)


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
                    id=("", f"{row.item} {row.quality.value} {row.bin}", 1),
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
        id=(supplier, source.sku, packs),
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
