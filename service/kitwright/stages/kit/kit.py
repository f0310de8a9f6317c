"""Kit: the stock and purchases that cover the needs, in pieces, sets and complete packs."""

from __future__ import annotations

from collections.abc import Callable, Collection, Hashable, Iterable, Iterator, Mapping, Sequence
from datetime import date
from fractions import Fraction
from typing import Any, TypeVar

from msgspec import Struct

from kitwright.catalogue.model import Catalogue, ItemId, Quality
from kitwright.errors import KitwrightError
from kitwright.stages.kit.choice import choose_lots, find_offers, first_day
from kitwright.stages.kit.landed import least_landed
from kitwright.stages.kit.lot import Chosen, InTime, Lot, Offers
from kitwright.stages.kit.market import Covers, Market
from kitwright.stages.kit.need import Need
from kitwright.stages.kit.part import Bought, Brought, FromStock, KitPart, LeftOver, Unfilled
from kitwright.stages.kit.wanted import Covered, Wanted
from kitwright.stages.request import (
    PartNotNeeded,
    RequestFault,
    RequestRefused,
    SerialNeeded,
    Terms,
)
from kitwright.stages.supply import Goods, Held, current_number, goods_of, sum_goods
from kitwright.units import ratio

T = TypeVar("T")


class Kit(Struct, frozen=True, kw_only=True):
    """The needs, and the stock and purchases that cover them.

    `is_least` says that no purchase is cheaper, with fees and freight; if it is false, one may be,
    by at most `gap` minor units. `questions` are needs that depend on the
    engine's plate, and `held` are needs that depend on the machine around the engine. Both are
    priced, but not taken from stock or ordered. `parts` hold the same cover, split into independent
    parts.
    """

    needs: tuple[Need, ...]
    questions: tuple[Need, ...]
    held: tuple[Need, ...]
    brought: tuple[Brought, ...]
    from_stock: tuple[FromStock, ...]
    bought: tuple[Bought, ...]
    left_over: tuple[LeftOver, ...]
    unfilled: tuple[Unfilled, ...]
    is_least: bool
    gap: int
    parts: tuple[KitPart, ...]


def choose_kit(
    market: Market,
    needs: tuple[Need, ...],
    terms: Terms,
    *,
    on: date,
    needed_by: date | None,
    held: Collection[Need] = (),
    is_compared: bool = False,
) -> Kit:
    """Return the kit for some needs.

    Parts that the customer brings are used first, then free pieces in stock, oldest usable number
    first. The rest is covered at least landed cost, goods with fees and freight, over suppliers,
    pieces, sets and complete packs; a set in stock counts at its cost. With `needed_by`, sources
    that deliver in time come before cheaper late ones. Items that no source delivers in time come
    from the earliest.
    `held` are needs that the shop does not take from stock or order yet. A kit that `is_compared`
    is the same, but its `gap` is not computed, and `is_least` is false.

    The parts of a kit are remembered by the market, except if anything is held or brought.
    """
    catalogue = market.catalogue
    groups = _groups(market, needs)
    questions = tuple(need for need in needs if need.is_question)
    brought: tuple[Brought, ...] = ()
    if held or terms.customer_parts:

        def parts_from(
            allowed: int,
            by: date | None,
            same: Sequence[KitPart | None],  # noqa: ARG001 - what is brought may change all
        ) -> tuple[KitPart, ...]:
            nonlocal brought
            in_time = None if by is None else (on, by)
            wanted = Wanted(catalogue, [need for need in needs if not need.is_question])
            brought = _brought(catalogue, wanted, questions, terms)
            wanted.leave_out(held)
            return tuple(
                _part(market, wanted, tuple(some), brought, in_time=in_time, allowed=allowed)
                for some in groups.values()
            )

        def most() -> Iterable[tuple[int, ...]]:
            return [_most(market, needs)]

    else:
        covers = [_covers_of(market, group, tuple(some)) for group, some in groups.items()]

        def parts_from(
            allowed: int, by: date | None, same: Sequence[KitPart | None]
        ) -> tuple[KitPart, ...]:
            in_time = None if by is None else (on, by)
            if not same:
                return tuple([_known_part(market, each, allowed, in_time) for each in covers])
            pairs = zip(covers, same, strict=True)
            return tuple(
                [one or _known_part(market, each, allowed, in_time) for each, one in pairs]
            )

        def most() -> Iterable[tuple[int, ...]]:
            for each in covers:
                if each.most is None:
                    each.most = _most(market, each.needs)
                yield each.most

    parts, gap = least_landed(
        market,
        [market.selling(group) for group in groups],
        [bool(market.held(group)) for group in groups],
        parts_from,
        most,
        may_be_bulky=not market.bulky.isdisjoint(groups),
        on=on,
        needed_by=needed_by,
        is_compared=is_compared,
    )
    is_least = not (gap or is_compared) and all(part.is_least for part in parts)
    return Kit(
        needs=needs,
        questions=questions,
        held=tuple(held),
        brought=brought,
        from_stock=_in_order(
            (each for part in parts for each in part.from_stock),
            lambda each: (each.item, each.bin),
        ),
        bought=_in_order(
            (each for part in parts for each in part.bought),
            lambda each: (
                each.source.item not in catalogue.sets,
                each.source.supplier.id,
                each.source.sku,
            ),
        ),
        left_over=_in_order(
            (each for part in parts for each in part.left_over),
            lambda each: (each.item, each.quality),
        ),
        unfilled=_in_order(
            (each for part in parts for each in part.unfilled), lambda each: each.item
        ),
        is_least=is_least,
        gap=gap,
        parts=parts,
    )


def first_day_of(
    market: Market,
    needs: tuple[Need, ...],
    terms: Terms,
    *,
    on: date,
    held: Collection[Need] = (),
) -> date:
    """Return the first day on which the shop can have all that can be filled of some needs,
    whatever it costs: that of the order, if all of it is in stock.
    """
    if held or terms.customer_parts:
        return first_day(market, _offers(market, needs, terms, held), on)
    last = on
    for group, some in _groups(market, needs).items():
        known = market.held(group), _content(some)
        offers = market.offers.get(known)
        if offers is None:
            offers = _offers(market, some, terms, ())
            market.offers.put(known, offers)
        last = max(last, first_day(market, offers, on))
    return last


def _offers(market: Market, needs: Sequence[Need], terms: Terms, held: Collection[Need]) -> Offers:
    wanted = Wanted(market.catalogue, [need for need in needs if not need.is_question])
    _brought(market.catalogue, wanted, [need for need in needs if need.is_question], terms)
    wanted.leave_out(held)
    for item in wanted.items:
        for _ in _from_shelf(market, wanted, item):
            pass
    return find_offers(market, wanted)


def _groups(market: Market, needs: Iterable[Need]) -> dict[ItemId, list[Need]]:
    """Return needs by the group of their items (see `Market.group`)."""
    groups: dict[ItemId, list[Need]] = {}
    for need in needs:
        groups.setdefault(market.group(need.item), []).append(need)
    return groups


def _in_order(some: Iterable[T], key: Callable[[T], Any]) -> tuple[T, ...]:
    return tuple(sorted(some, key=key))


def _covers_of(market: Market, group: ItemId, needs: tuple[Need, ...]) -> Covers:
    """Return the covers of needs that depend on each other, remembered by the identity of what is
    needed and of what is in stock.
    """
    held = market.held(group)
    question = id(held), *map(id, needs)
    covers = market.parts.get(question)
    if covers is None:
        # needs and stock are kept with their covers, so that no others have their identity
        covers = Covers(needs, held, market.selling(group))
        market.parts.put(question, covers)
    return covers


def _known_part(market: Market, covers: Covers, allowed: int, in_time: InTime) -> KitPart:
    """Return the cover from the allowed suppliers."""
    question = allowed & covers.selling, in_time
    part = covers.parts.get(question)
    if part is None:
        part = _cover(market, covers, allowed, in_time)
        covers.put(question, part)
    return part


def _cover(market: Market, covers: Covers, allowed: int, in_time: InTime) -> KitPart:
    if in_time is not None:
        # what is the cheapest at any time, and is there in time, is the cheapest in time
        part = _known_part(market, covers, allowed, None)
        on, by = in_time
        days = (market.arrival(place, each.lead_days, on) for place, each in part.goods)
        if part.is_least and not part.unfilled and all(day <= by for day in days):
            return part
    needs = covers.needs
    known = in_time, allowed & covers.selling, covers.held, _content(needs)
    wanted = Wanted(market.catalogue, [need for need in needs if not need.is_question])
    return _part(market, wanted, needs, (), in_time=in_time, allowed=allowed, known=known)


def _content(needs: Iterable[Need]) -> Hashable:
    """Return all of some needs that the choice of their lots depends on."""
    return tuple(
        sorted(
            (need.item, need.quantity, need.floor, need.acceptable)
            for need in needs
            if not need.is_question
        )
    )


def _part(
    market: Market,
    wanted: Wanted,
    needs: tuple[Need, ...],
    brought: Sequence[Brought],
    *,
    in_time: InTime,
    allowed: int,
    known: Hashable = None,
) -> KitPart:
    """Return the cover of needs that depend on each other. The choice of their lots is remembered
    by what is `known` of it.
    """
    items = sorted({need.item for need in needs if not need.is_question})
    from_stock = [taken for item in items for taken in _from_shelf(market, wanted, item)]
    choice = None if known is None else market.choices.get(known)
    if choice is None:
        choice = choose_lots(market, wanted, items, in_time=in_time, allowed=allowed)
        if known is not None:
            market.choices.put(known, choice)
    opened, bought, left_over = _share_out(market.catalogue, wanted, choice.chosen)
    group = market.group(needs[0].item)
    goods = _goods(market, bought)
    return KitPart(
        needs=needs,
        brought=tuple(each for each in brought if market.group(each.item) == group),
        from_stock=_in_order((*from_stock, *opened), lambda each: (each.item, each.bin)),
        bought=tuple(bought),
        left_over=tuple(left_over),
        unfilled=tuple(
            Unfilled(need=need, quantity=rest)
            for item in sorted(choice.short)
            for need, rest in wanted.still_open(item)
        ),
        is_least=choice.is_least,
        goods=goods,
        suppliers=sum(1 << place for place, _ in goods),
    )


def _most(market: Market, needs: Iterable[Need]) -> tuple[int, ...]:
    """Return a bound on what goods for some needs cost from each supplier, in minor units: every
    item, and every set that has one, from its dearest offer.
    """
    wanted = Wanted(market.catalogue, [need for need in needs if not need.is_question])
    pieces = wanted.pieces(wanted.items)
    count = max(pieces.values(), default=0)
    counts = {**dict.fromkeys(market.sets_with(pieces), count), **pieces}
    most = [0] * len(market.terms)
    for item, count in counts.items():
        for place, cost in market.dearest(item, count).items():
            most[place] += cost
    return tuple(most)


def _goods(market: Market, bought: Iterable[Bought]) -> tuple[tuple[int, Goods], ...]:
    """Return what is bought from each supplier, by its place in the market."""
    by_place: dict[int, list[Goods]] = {}
    for each in bought:
        goods = goods_of(market.catalogue, each.source, each.packs)
        by_place.setdefault(market.places[each.source.supplier.id], []).append(goods)
    return tuple((place, sum_goods(some)) for place, some in sorted(by_place.items()))


def _brought(
    catalogue: Catalogue, wanted: Wanted, questions: Sequence[Need], terms: Terms
) -> tuple[Brought, ...]:
    """Fill needs with the parts and sets that the customer brings, and return them with what they
    fill. Of a set, the pieces that are needed are used.

    Raises: RequestRefused, for an item that is not needed, or that exceeds the need.
    """
    brought = []
    faults: list[KitwrightError] = []
    for index, part in enumerate(terms.customer_parts):
        contents = _contents(catalogue, part.item)
        fitting = {
            content: wanted.scale(item)
            for content in contents
            if (item := wanted.item_of(content)) is not None
        }
        if not fitting:
            fault: RequestFault = _unfit(catalogue, wanted, questions, part.item)
            faults.append(fault.at("customer_parts", index, "item"))
            continue
        most = max(
            -(-wanted.open_for(one, None) // (contents[one] * scale))
            for one, scale in fitting.items()
        )
        count = most if part.quantity is None else part.quantity * terms.machines
        if not 0 < count <= most:
            fault = PartNotNeeded(part.item, f"this repair can use at most {most}", most)
            faults.append(fault.at("customer_parts", index, "quantity"))
            continue
        covers = [
            cover
            for content, scale in fitting.items()
            for cover in wanted.fill(content, None, count * contents[content] * scale)[0]
        ]
        brought.append(Brought(item=part.item, quantity=count, covers=tuple(covers)))
    if faults:
        raise RequestRefused(faults)
    return tuple(brought)


def _contents(catalogue: Catalogue, item: ItemId) -> Mapping[ItemId, int]:
    """Return the contents of a set, the part itself for a part, nothing for a consumable."""
    if item in catalogue.sets:
        return catalogue.sets[item].contents
    return {} if item in catalogue.consumables else {item: 1}


def _unfit(
    catalogue: Catalogue, wanted: Wanted, questions: Sequence[Need], item: ItemId
) -> RequestFault:
    """Return the error that says why an item that the customer brings can't be used."""
    contents = _contents(catalogue, item)
    for need in questions:
        if not contents.keys().isdisjoint(need.options):
            return SerialNeeded(item, need.options)
    needed = [one for one in wanted.items if one not in catalogue.consumables]
    if item in catalogue.consumables:
        return PartNotNeeded(item, "the shop supplies consumables itself")
    if item not in catalogue.parts and item not in catalogue.sets:
        return PartNotNeeded(item, "the catalogue has no part or set of that number")
    newer = current_number(catalogue, item)
    if newer in needed:
        return PartNotNeeded(item, f"it is superseded, and only {newer} fits this engine")
    return PartNotNeeded(item, f"this repair does not need it; it needs: {', '.join(needed)}")


def _from_shelf(market: Market, wanted: Wanted, item: ItemId) -> Iterator[FromStock]:
    """Yield the free stock that is used for an item, oldest usable number first. An older number is
    used only if there is enough of it for all cylinders: these are never given different parts.
    """
    size, scale = wanted.size(item), wanted.scale(item)
    numbers = dict.fromkeys(one for need in wanted.needs(item) for one in need.acceptable)
    for number in sorted(numbers, key=lambda one: one == item):
        rows = market.stock.rows.get(number, ())
        if number != item and wanted.is_of_cylinders(number):
            there = sum(
                min(int(row.free * size), wanted.open_for(number, row.quality)) for row in rows
            )
            if there < wanted.open_for(number, None):
                continue
        for row in rows:
            amount = min(int(row.free * size), wanted.open_for(number, row.quality))
            if amount > 0:
                yield FromStock(
                    item=number,
                    packs=ratio(amount, size),
                    quantity=ratio(amount, scale),
                    unit=wanted.unit(item),
                    cost=ratio(amount, size) * row.cost,
                    make=_make(market.catalogue, row),
                    quality=row.quality,
                    bin=row.bin,
                    covers=wanted.fill(number, row.quality, amount)[0],
                )


def _make(catalogue: Catalogue, row: Held) -> str | None:
    """Return the make of a stock row, None if it was not recorded."""
    record = catalogue.parts.get(row.item) or catalogue.sets.get(row.item)
    if row.brand is not None or record is None:
        return row.brand
    return record.maker if row.quality is record.quality else None


def _share_out(
    catalogue: Catalogue, wanted: Wanted, chosen: Sequence[Chosen]
) -> tuple[list[FromStock], list[Bought], list[LeftOver]]:
    """Fill the needs with the chosen lots, sets first; return the sets opened, the purchases and
    the left-overs.
    """
    opened: list[FromStock] = []
    bought: list[Bought] = []
    left: dict[tuple[ItemId, Quality], Fraction] = {}
    for each in sorted(chosen, key=lambda one: (one.lot.item not in catalogue.sets, one.lot.id)):
        covers, over = _fill(wanted, each)
        for item, amount in over.items():
            kept = (item, each.lot.quality)
            left[kept] = left[kept] + amount if kept in left else amount
        lot = each.lot
        if lot.source is not None:
            bought.append(Bought(source=lot.source, packs=lot.packs * each.times, covers=covers))
        elif lot.row is not None:
            opened.append(
                FromStock(
                    item=lot.row.item,
                    packs=ratio(each.times, 1),
                    quantity=ratio(each.times, 1),
                    unit="set",
                    cost=ratio(each.times * lot.row.cost, 1),
                    make=_make(catalogue, lot.row),
                    quality=lot.row.quality,
                    bin=lot.row.bin,
                    covers=covers,
                )
            )
    left_over = [
        LeftOver(item, amount, _unit(catalogue, item), quality)
        for (item, quality), amount in sorted(left.items())
    ]
    return opened, bought, left_over


def _fill(wanted: Wanted, chosen: Chosen) -> tuple[tuple[Covered, ...], dict[ItemId, Fraction]]:
    """Fill the needs with one chosen lot; return the needs it filled and its left-overs."""
    lot: Lot = chosen.lot
    covers: list[Covered] = []
    over: dict[ItemId, Fraction] = {}
    for content, count in sorted(lot.contents.items()):
        item = wanted.item_of(content)
        size, scale = (1, 1) if item is None else (wanted.size(item), wanted.scale(item))
        filled, rest = wanted.fill(content, lot.quality, count * chosen.times * size)
        covers += filled
        if rest:
            over[content] = ratio(rest, scale)
    return tuple(covers), over


def _unit(catalogue: Catalogue, item: ItemId) -> str:
    consumable = catalogue.consumables.get(item)
    return "piece" if consumable is None else consumable.unit
