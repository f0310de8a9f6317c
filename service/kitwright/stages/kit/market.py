"""Market: everything that a shop may buy or take from stock, and what was found out about it."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from copy import copy
from datetime import date
from functools import reduce
from operator import or_
from typing import Final

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
from kitwright.stages.kit.lot import Choice, InTime, Lot, Offers, bought_lot
from kitwright.stages.kit.need import Need
from kitwright.stages.kit.part import KitPart
from kitwright.stages.supply import Held, Stock, Supply, Terms, arrival, opening_stock

MOST_PARTS: Final = 640
"""Covers that are remembered; they take a few KiB each."""


MOST_DAYS: Final = 64
"""Covers of the same needs that are remembered, for different suppliers and days."""


MOST_LOTS: Final = 512
"""Items, with a number of pieces, whose lots are remembered."""


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
                bought_lot(source, packs, holds, holds)
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
