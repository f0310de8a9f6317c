"""Wanted: what is still to be filled of each item, and how it falls to the needs in turn."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from fractions import Fraction
from math import ceil

from msgspec import Struct

from kitwright.catalogue.model import Catalogue, ItemId, Quality
from kitwright.stages.kit.need import Need
from kitwright.stages.supply import meets
from kitwright.units import exact


class Covered(Struct, frozen=True):
    """How much of one need something fills, and under which number; `quantity` is in the need's
    unit.
    """

    need: Need
    quantity: Fraction
    number: ItemId


class Wanted:
    """The open needs by item. Amounts are in the needs' unit, pieces are whole items as sold."""

    def __init__(self, catalogue: Catalogue, needs: Iterable[Need]) -> None:
        self._catalogue = catalogue
        self.needs: dict[ItemId, list[Need]] = {}
        for need in needs:
            self.needs.setdefault(need.item, []).append(need)
        self.items = sorted(self.needs)
        self._open: dict[ItemId, list[tuple[Need, Fraction]]] = {
            item: [(need, exact(need.quantity)) for need in of_item]
            for item, of_item in self.needs.items()
        }
        # a number may be fitted for the item that superseded it
        self._item_of: dict[ItemId, ItemId] = {
            number: item
            for item, of_item in self.needs.items()
            for need in of_item
            for number in need.acceptable
        }

    def leave_out(self, needs: Collection[Need]) -> None:
        """Leave some needs open without wanting anything for them."""
        for item, rest in self._open.items():
            self._open[item] = [each for each in rest if each[0] not in needs]

    def item_of(self, number: ItemId) -> ItemId | None:
        """Return the wanted item that a number may be fitted for, in one of its roles at least."""
        return self._item_of.get(number)

    def rest(self, item: ItemId) -> Fraction:
        """Return how much of an item nothing fills yet."""
        return sum((amount for _, amount in self._open[item]), start=Fraction(0))

    def still_open(self, item: ItemId) -> tuple[tuple[Need, Fraction], ...]:
        """Return the needs of an item that nothing fills yet, with how much of each."""
        return tuple(self._open[item])

    def pack_size(self, item: ItemId) -> Fraction:
        """Return how much of the needs' unit one item as sold holds: 1 for a part."""
        consumable = self._catalogue.consumables.get(item)
        return Fraction(1) if consumable is None else exact(consumable.pack)

    def pieces(self) -> dict[ItemId, int]:
        """Return the whole items still wanted, without those that want none."""
        wanted = {item: ceil(self.rest(item) / self.pack_size(item)) for item in self.items}
        return {item: count for item, count in wanted.items() if count}

    def unit(self, item: ItemId) -> str:
        """Return the unit that an item is needed in."""
        return self.needs[item][0].unit

    def floor(self, item: ItemId) -> Quality:
        """Return the strictest quality floor among the open roles that an item fills.

        What is bought for several roles has to suit the strictest.
        """
        floors = [need.floor for need, _ in self._open[item]]
        return Quality.maker if Quality.maker in floors else Quality.alternate

    def fills_all(self, number: ItemId, quality: Quality) -> ItemId | None:
        """Return the wanted item all of whose open roles a number of some quality suits, if any."""
        item = self._item_of.get(number)
        if item is None or not meets(quality, self.floor(item)):
            return None
        suits = all(number in need.acceptable for need, _ in self._open[item])
        return item if suits else None

    def open_for(self, number: ItemId, quality: Quality | None) -> Fraction:
        """Return how much a number of some quality could fill; of any quality where it is None."""
        item = self._item_of.get(number)
        if item is None:
            return Fraction(0)
        return sum(
            (rest for need, rest in self._open[item] if _suits(need, number, quality)),
            start=Fraction(0),
        )

    def fill(
        self, number: ItemId, quality: Quality | None, amount: Fraction
    ) -> tuple[Covered, ...]:
        """Fill, in turn, the needs that a number suits; return which were filled by how much.

        `quality` None is what nobody asks about: the customer's own part.
        """
        item = self._item_of.get(number)
        filled = []
        still = []
        for need, rest in self._open[item] if item is not None else ():
            used = min(rest, amount) if _suits(need, number, quality) else Fraction(0)
            amount -= used
            if used:
                filled.append(Covered(need, used, number))
            if rest > used:
                still.append((need, rest - used))
        if item is not None:
            self._open[item] = still
        return tuple(filled)


def _suits(need: Need, number: ItemId, quality: Quality | None) -> bool:
    return number in need.acceptable and (quality is None or meets(quality, need.floor))
