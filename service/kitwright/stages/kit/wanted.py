"""Wanted: the quantities of each item that are still open, and their distribution over needs."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from decimal import Decimal
from fractions import Fraction
from math import lcm

from msgspec import Struct

from kitwright.catalogue.model import Catalogue, ItemId, Quality
from kitwright.stages.kit.need import Need
from kitwright.stages.supply import meets
from kitwright.units import ratio


class Covered(Struct, frozen=True):
    """The quantity of one need that is filled, in the need's unit, and the number that fills it."""

    need: Need
    quantity: Fraction
    number: ItemId


class _Item:
    """The open needs of one item, with their quantities as whole numbers over one denominator."""

    __slots__ = ("floor", "needs", "open", "scale", "size")

    def __init__(self, needs: list[Need], pack: Decimal | int) -> None:
        self.needs = needs
        size, bottom = pack.as_integer_ratio()
        ratios = [need.quantity.as_integer_ratio() for need in needs]
        self.scale = lcm(bottom, *(under for _, under in ratios))
        self.size = size * (self.scale // bottom)
        self.open = [
            (need, top * (self.scale // under))
            for need, (top, under) in zip(needs, ratios, strict=True)
        ]
        self.settle_floor()

    def settle_floor(self) -> None:
        """Set the strictest quality floor among the open needs."""
        is_strict = any(need.floor is Quality.maker for need, _ in self.open)
        self.floor = Quality.maker if is_strict else Quality.alternate


class Wanted:
    """The open needs by item.

    Amounts are whole numbers of parts; one unit of an item's needs has `scale` parts. Pieces are
    whole items as sold.
    """

    def __init__(self, catalogue: Catalogue, needs: Iterable[Need]) -> None:
        by_item: dict[ItemId, list[Need]] = {}
        for need in needs:
            by_item.setdefault(need.item, []).append(need)
        consumables = catalogue.consumables
        self._items = {
            item: _Item(by_item[item], consumables[item].pack if item in consumables else 1)
            for item in sorted(by_item)
        }
        # a number may be fitted for the item that superseded it
        self._item_of: dict[ItemId, ItemId] = {
            number: item
            for item, of_item in by_item.items()
            for need in of_item
            for number in need.acceptable
        }

    @property
    def items(self) -> Iterable[ItemId]:
        """The items that were wanted at the start, sorted."""
        return self._items.keys()

    def needs(self, item: ItemId) -> Sequence[Need]:
        """Return all needs of an item, filled or not."""
        return self._items[item].needs

    def leave_out(self, needs: Collection[Need]) -> None:
        """Leave some needs unfilled, and do not want anything for them."""
        if needs:
            for record in self._items.values():
                record.open = [each for each in record.open if each[0] not in needs]
                record.settle_floor()

    def item_of(self, number: ItemId) -> ItemId | None:
        """Return the wanted item for which a number may be fitted in at least one of its roles."""
        return self._item_of.get(number)

    def still_open(self, item: ItemId) -> tuple[tuple[Need, Fraction], ...]:
        """Return the needs of an item that are not filled yet, with the open quantity of each."""
        record = self._items[item]
        return tuple((need, ratio(rest, record.scale)) for need, rest in record.open)

    def size(self, item: ItemId) -> int:
        """Return the number of parts in one item as sold."""
        return self._items[item].size

    def scale(self, item: ItemId) -> int:
        """Return the number of parts in one unit."""
        return self._items[item].scale

    def pieces(self, items: Iterable[ItemId]) -> dict[ItemId, int]:
        """Return the number of pieces still wanted of some items, without items that need none."""
        wanted = {}
        for item in items:
            record = self._items[item]
            if count := -(-sum([rest for _, rest in record.open]) // record.size):
                wanted[item] = count
        return wanted

    def unit(self, item: ItemId) -> str:
        """Return the unit of an item's needs."""
        return self._items[item].needs[0].unit

    def floor(self, item: ItemId) -> Quality:
        """Return the strictest quality floor among the open roles that an item fills.

        Items bought for several roles have to meet the strictest floor.
        """
        return self._items[item].floor

    def fills_all(self, number: ItemId, quality: Quality) -> ItemId | None:
        """Return the wanted item for which a number of a quality suits all open roles, if any."""
        item = self._item_of.get(number)
        if item is None:
            return None
        record = self._items[item]
        if not meets(quality, record.floor):
            return None
        suits = all(number in need.acceptable for need, _ in record.open)
        return item if suits else None

    def is_of_cylinders(self, number: ItemId) -> bool:
        """Return whether a number could fill any need of a cylinder that is still open."""
        opened = self._items[self._item_of[number]].open
        return any(need.cylinder is not None and _suits(need, number, None) for need, _ in opened)

    def open_for(self, number: ItemId, quality: Quality | None) -> int:
        """Return how many parts a number of a quality could fill; None: whatever its quality."""
        item = self._item_of.get(number)
        if item is None:
            return 0
        opened = self._items[item].open
        return sum(rest for need, rest in opened if _suits(need, number, quality))

    def fill(
        self, number: ItemId, quality: Quality | None, amount: int
    ) -> tuple[tuple[Covered, ...], int]:
        """Fill, in turn, the needs that a number suits; return what was filled, and the rest of the
        amount in parts.

        `quality` None is for the customer's own part, whose quality is not checked.
        """
        item = self._item_of.get(number)
        if item is None:
            return (), amount
        record = self._items[item]
        filled = []
        still = []
        for need, rest in record.open:
            used = min(rest, amount) if _suits(need, number, quality) else 0
            amount -= used
            if used:
                filled.append(Covered(need, ratio(used, record.scale), number))
            if rest > used:
                still.append((need, rest - used))
        record.open = still
        record.settle_floor()
        return tuple(filled), amount


def _suits(need: Need, number: ItemId, quality: Quality | None) -> bool:
    return number in need.acceptable and (quality is None or meets(quality, need.floor))
