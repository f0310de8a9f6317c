"""Lot: numbers of packs that may be taken together, from a source or from the shelf."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date

from msgspec import Struct

from kitwright.catalogue.model import Catalogue, ItemId, PartSet, Quality, Shop, StockRow
from kitwright.money import Money
from kitwright.solve.cover import Pack, Uncoverable, least_cover
from kitwright.stages.kit.wanted import Wanted
from kitwright.stages.supply import Source, Supply, promise
from kitwright.units import exact

LotKey = tuple[str, str, int]
"""Supplier and its SKU (on the shelf: an empty word, item and bin), and packs bought together."""


class Lot(Struct, frozen=True, kw_only=True):
    """Packs of one source that are bought together, or one set on the shelf.

    `holds` counts the wanted items that it fills, `cost` is in minor units without tax; `contents`
    counts everything in it. At most `limit` are to be had, and of one `group` only one.
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
    row: StockRow | None = None

    @property
    def packs(self) -> int:
        """How many packs are taken together."""
        return self.key[2]


class Chosen(Struct, frozen=True):
    """A lot and how often it is taken; more than once only from the shelf."""

    lot: Lot
    times: int


def find_lots(catalogue: Catalogue, shop: Shop, supply: Supply, wanted: Wanted) -> tuple[Lot, ...]:
    """Return every lot that would fill something, in the order of their keys."""
    pieces = wanted.pieces()
    sets = {
        record.id: record
        for record in catalogue.sets.values()
        if any(wanted.fills_all(content, Quality.maker) in pieces for content in record.contents)
    }
    lots = [
        *_piece_lots(supply, wanted, pieces),
        *_set_lots(supply, wanted, pieces, sets.values()),
        *_shelf_lots(shop, wanted, pieces, sets),
    ]
    return tuple(sorted(lots, key=lambda lot: lot.key))


class Choice(Struct, frozen=True, kw_only=True):
    """The lots that fill the wanted pieces, and the pieces that nothing fills.

    `is_least` says that the cost is proven to be the least; only very tangled kits leave it open.
    """

    chosen: tuple[Chosen, ...]
    short: Mapping[ItemId, int]
    is_least: bool


def choose_lots(
    shop: Shop,
    lots: Sequence[Lot],
    pieces: Mapping[ItemId, int],
    *,
    on: date,
    needed_by: date | None,
) -> Choice:
    """Return the cheapest lots that fill the wanted pieces.

    With `needed_by`, only lots that come in time are used; what none of them fills is covered
    apart, by those that come earliest.
    """
    if needed_by is None:
        return _cheapest(lots, pieces)
    in_time = [
        lot for lot in lots if lot.source is None or promise(shop, lot.source, on) <= needed_by
    ]
    choice = _cheapest(in_time, pieces)
    late = [lot for lot in lots if lot not in in_time]
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


def _piece_lots(supply: Supply, wanted: Wanted, pieces: Mapping[ItemId, int]) -> Iterator[Lot]:
    for item, count in pieces.items():
        for source in supply.eligible(item, wanted.floor(item)):
            for packs in source.lots(count):
                holds = {item: packs * source.pack}
                yield _bought(source, packs, holds, holds)


def _set_lots(
    supply: Supply, wanted: Wanted, pieces: Mapping[ItemId, int], sets: Iterable[PartSet]
) -> Iterator[Lot]:
    for record in sets:
        for source in supply.eligible(record.id, Quality.alternate):
            one = _holds(wanted, pieces, record, source.quality)
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
    shop: Shop, wanted: Wanted, pieces: Mapping[ItemId, int], sets: Mapping[ItemId, PartSet]
) -> Iterator[Lot]:
    """Yield the sets on the shelf; opening one costs the shop what it paid for it."""
    for row in shop.stock:
        if row.item in sets and row.on_hand > row.promised:
            record = sets[row.item]
            holds = _holds(wanted, pieces, record, row.quality)
            if holds:
                yield Lot(
                    key=("", f"{row.item} {row.quality.value} {row.bin}", 1),
                    item=row.item,
                    quality=row.quality,
                    holds=holds,
                    contents=record.contents,
                    cost=Money.of(exact(row.cost), shop.currency).minor,
                    limit=row.on_hand - row.promised,
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
    """Return the wanted items that one set fills, and how many of each it has."""
    holds: dict[ItemId, int] = {}
    for content, count in record.contents.items():
        filled = wanted.fills_all(content, quality)
        if filled in pieces and filled is not None:
            holds[filled] = holds.get(filled, 0) + count
    return holds
