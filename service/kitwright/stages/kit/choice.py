"""Choice: the cheapest lots for pieces that are wanted, or those that arrive first."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date

from kitwright.catalogue.model import ItemId, PartSet, Quality
from kitwright.solve.cover import Uncoverable, least_cover
from kitwright.stages.kit.lot import Choice, Chosen, InTime, Lot, LotKey, Offers, bought_lot
from kitwright.stages.kit.market import Market
from kitwright.stages.kit.wanted import Wanted
from kitwright.stages.supply import Stock, Supply


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
                yield bought_lot(
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
