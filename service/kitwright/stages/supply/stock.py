"""Stock: what is free on the shop's shelves, by item."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from fractions import Fraction
from hashlib import blake2b

from msgspec import Struct, structs

from kitwright.catalogue.model import ItemId, Quality, Shop
from kitwright.money import Money
from kitwright.units import exact

_MARKS = 1 << 128


Taking = tuple[ItemId, Quality | None, str | None, Fraction]
"""Packs of an item, in a quality and from a bin; None: any."""


class Held(Struct, frozen=True, kw_only=True):
    """Free stock of one item and make in one bin.

    `free` counts packs (of a part or set: pieces); of an opened pack, it counts what is left.
    `cost` is what one pack cost the shop, without tax, in minor units of its currency.
    """

    item: ItemId
    quality: Quality
    brand: str | None
    bin: str
    free: Fraction
    cost: int


class Stock:
    """What is free on a shop's shelves, by item: the rows of each in the order in which they are
    used up. It never changes: a move makes another.

    `mark` is the same for equal contents, and differs for different ones.
    """

    __slots__ = ("mark", "rows")

    def __init__(self, held: Iterable[Held] = ()) -> None:
        rows: dict[ItemId, tuple[Held, ...]] = {}
        for row in held:
            if row.free > 0:
                rows[row.item] = (*rows.get(row.item, ()), row)
        self.rows: Mapping[ItemId, tuple[Held, ...]] = rows
        self.mark = sum(map(_mark, rows.values())) % _MARKS

    def replaced(self, items: Iterable[ItemId], held: Iterable[Held]) -> Stock:
        """Return the stock with other rows for some items: those of `held`."""
        items = frozenset(items)
        fresh = Stock(held)
        gone = sum(_mark(self.rows[item]) for item in items if item in self.rows)
        kept = {item: rows for item, rows in self.rows.items() if item not in items}
        fresh.rows = {**kept, **fresh.rows}
        fresh.mark = (self.mark - gone + fresh.mark) % _MARKS
        return fresh

    def without(self, taken: Iterable[Taking]) -> Stock:
        """Return what is left once something is taken. More than there is leaves nothing."""
        left: dict[ItemId, list[Held]] = {}
        for item, quality, place, packs in taken:
            if item not in self.rows:
                continue
            rows = left.setdefault(item, list(self.rows[item]))
            for index, row in enumerate(rows):
                if place in (None, row.bin) and quality in (None, row.quality):
                    used = min(row.free, packs)
                    packs -= used
                    rows[index] = structs.replace(row, free=row.free - used)
        return self.replaced(left, (row for rows in left.values() for row in rows))


def opening_stock(shop: Shop) -> Stock:
    """Return the stock as the shop's file states it."""
    return Stock(
        Held(
            item=row.item,
            quality=row.quality,
            brand=row.brand,
            bin=row.bin,
            free=Fraction(row.on_hand - row.promised),
            cost=Money.of(exact(row.cost), shop.currency).minor,
        )
        for row in shop.stock
    )


def _mark(rows: tuple[Held, ...]) -> int:
    text = "|".join(
        f"{row.item!r} {row.bin!r} {row.quality.value} {row.brand!r} {row.free} {row.cost}"
        for row in rows
    )
    return int.from_bytes(blake2b(text.encode(), digest_size=16).digest())
