"""Placed: packs that a revision needs, and packs that were ordered before, with what they hold."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from math import floor

from msgspec import Struct

from kitwright.catalogue.model import Catalogue, ItemId, Quality, SupplierId
from kitwright.stages.kit import Covered
from kitwright.stages.ordering.order import Use
from kitwright.stages.supply import Source, Supply, meets
from kitwright.units import exact

Key = tuple[SupplierId, str, int]
"""Supplier, its SKU, and items per pack."""
Need = tuple[str, int | None, ItemId, ItemId]
"""Role, cylinder, the item that is needed and the number that is fitted."""
Amounts = dict[ItemId, Fraction]
"""Number that is fitted -> how much of it, in the unit of its needs."""
Count = Fraction | int
"""A number of packs; of a pack that several quotes share, each has a fraction."""


class Packs(Struct, frozen=True, kw_only=True):
    """Packs of a supplier's SKU that a revision needs, or that were ordered, with the terms of that
    time.

    There are `count` packs of `size` items each, at `unit_cost` per pack without tax; `covers` are
    the needs that they are for. Of a pack that several quotes share, each has a fraction.
    """

    supplier: SupplierId
    sku: str
    item: ItemId
    brand: str
    count: Fraction | int
    size: int
    unit_cost: Decimal
    lead_days: int
    covers: tuple[Use, ...]


def packs_from(source: Source, packs: int, covers: tuple[Use, ...]) -> Packs:
    """Return some packs from a source, at the cost for this number."""
    return Packs(
        supplier=source.supplier.id,
        sku=source.sku,
        item=source.item,
        brand=source.brand,
        count=packs,
        size=source.pack,
        unit_cost=source.unit_cost(packs),
        lead_days=source.lead_days,
        covers=covers,
    )


def key_of(packs: Packs) -> Key:
    """Return the key that packs of the same kind have in common."""
    return packs.supplier, packs.sku, packs.size


def need_of(use: Use) -> Need:
    """Return the need that a use fills."""
    return use.role, use.cylinder, use.item, use.number


def offered_as(supply: Supply, item: ItemId, by: SupplierId, sku: str) -> Source | None:
    """Return today's terms for a supplier's SKU, None if it is not offered."""
    for source in supply.sources.get(item, ()):
        if source.sku == sku and source.supplier.id == by:
            return source
    return None


def amounts_of(covers: Iterable[Use]) -> Amounts:
    """Return how much of each number is used."""
    amounts: Amounts = defaultdict(Fraction)
    for use in covers:
        amounts[use.number] += use.quantity
    return amounts


def per_pack(
    catalogue: Catalogue, item: ItemId, size: int, covers: Iterable[Use], packs: Fraction | int
) -> Amounts:
    """Return how much of each number a pack holds: by the catalogue, and at least what so many
    packs were said to fill, since the catalogue may have changed.
    """
    if item in catalogue.sets:
        holds = {
            part: Fraction(count * size) for part, count in catalogue.sets[item].contents.items()
        }
    else:
        consumable = catalogue.consumables.get(item)
        holds = {item: size * (Fraction(1) if consumable is None else exact(consumable.pack))}
    for number, amount in amounts_of(covers).items():
        holds[number] = max(holds.get(number, Fraction(0)), amount / packs)
    return holds


class Kind:
    """All packs of one SKU that were ordered before: how many there are, and what each holds."""

    def __init__(self, catalogue: Catalogue, supply: Supply, lines: Sequence[Packs]) -> None:
        first = lines[0]
        count = sum(line.count for line in lines)
        source = offered_as(supply, first.item, first.supplier, first.sku)
        self.count: Count = count if count.denominator != 1 else int(count)
        self.quality = Quality.alternate if source is None else source.quality
        self.covers = tuple(use for line in lines for use in line.covers)
        self.each = per_pack(catalogue, first.item, first.size, self.covers, count)
        self.ratios = {number: each.as_integer_ratio() for number, each in self.each.items()}
        # a need that takes maker quality alone shall find it, and a set is opened last
        self.rank = (self.quality is Quality.maker, sum(self.each.values()), key_of(first))


class Earlier:
    """What was ordered before, whatever a revision needs."""

    def __init__(self, catalogue: Catalogue, supply: Supply, before: Iterable[Packs]) -> None:
        by_key: dict[Key, list[Packs]] = {}
        for packs in before:
            by_key.setdefault(key_of(packs), []).append(packs)
        self.kinds = {key: Kind(catalogue, supply, lines) for key, lines in by_key.items()}
        self.counts = {key: kind.count for key, kind in self.kinds.items()}
        self.holding: dict[ItemId, list[Key]] = {}
        """Number -> the packs that hold it, in the order in which they are opened."""
        self._ordered = defaultdict[Need, Fraction](Fraction)
        for key, kind in sorted(self.kinds.items(), key=lambda one: one[1].rank):
            for number in kind.each:
                self.holding.setdefault(number, []).append(key)
            for use in kind.covers:
                self._ordered[need_of(use)] += use.quantity

    def ordered(self) -> defaultdict[Need, Fraction]:
        """Return how much was ordered for each need."""
        return self._ordered.copy()

    def placed(self, counts: Mapping[Key, Count]) -> dict[Key, Placed]:
        """Return the packs, of each kind so many."""
        return {key: Placed(kind, counts[key]) for key, kind in self.kinds.items()}

    def fills(self, key: Key, packs: Count, covers: Iterable[Covered]) -> bool:
        """Return whether so many packs hold all that some needs take of them."""
        ratios = self.kinds[key].ratios
        taken: dict[ItemId, Fraction] = {}
        for one in covers:
            number, amount = one.number, one.quantity
            if number in taken:
                amount += taken[number]
            taken[number] = amount
            top, bottom = ratios.get(number, (0, 1))
            if amount.numerator * bottom > packs * top * amount.denominator:
                return False
        return True


class Placed:
    """Packs of one SKU that were ordered before, and how many of them are spare."""

    def __init__(self, kind: Kind, count: Count) -> None:
        self._kind = kind
        self.exceeded: Count = 0
        """Packs that the revision would want, had not more been ordered than were missing."""
        self._spare = count
        self._opened: Amounts = {}

    def take(self, most: int) -> Count:
        """Take at most `most` packs as they are; return the number taken."""
        packs = min(self._spare, most)
        self._spare -= packs
        return packs

    def free(self, number: ItemId, least: Quality) -> Fraction:
        """Return the quantity of a number in the spare packs, if their quality is good enough."""
        each = self._kind.each
        if number not in each or not meets(self._kind.quality, least):
            return Fraction(0)
        return self._spare * each[number] - self._opened.get(number, 0)

    def open(self, number: ItemId, amount: Fraction) -> None:
        """Use an amount of a number out of the spare packs."""
        self._opened[number] = self._opened.get(number, Fraction(0)) + amount

    @property
    def surplus(self) -> int:
        """The number of packs that are not needed: what is left of a pack is none."""
        each = self._kind.each
        opened = (amount / each[number] for number, amount in self._opened.items())
        return max(0, floor(self._spare - max(opened, default=0) + self.exceeded))
