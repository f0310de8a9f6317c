"""Goods here: what of the agreed goods came for a quote, and a bill that holds more than that.

Goods are here that were delivered on an order for the quote and did not go back, that are reserved
or drawn for it on the shelf, or that its customer brought.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from types import MappingProxyType
from typing import Annotated, Final

from msgspec import Meta, Struct

from kitwright.catalogue.model import Catalogue, ItemId
from kitwright.keeping.acts import ActRefused
from kitwright.keeping.event import Facts
from kitwright.keeping.ledger import UNIT
from kitwright.keeping.order_progress import arrived_for, orders_of, progress_of
from kitwright.keeping.reserving import free_of
from kitwright.keeping.store import Records
from kitwright.quote import Cover, Kit, Line, Pack, Quote
from kitwright.stages.billing import GOODS
from kitwright.stages.ordering import per_pack
from kitwright.stages.price import CUSTOMER
from kitwright.stages.work_plan import part_of
from kitwright.units import decimal_text
from kitwright.web.calls.ids import ORDER, written
from kitwright.web.calls.placing import packs_held
from kitwright.web.edge.shapes import Text

Unbooked = Annotated[
    Text | None,
    Meta(
        description="Why goods are billed of which no delivery is booked, for example because they "
        "came from another job; the statement keeps it. Null: there are none."
    ),
]
_Amounts = defaultdict[str, Fraction]
"""Number of an item -> how much of it, in its unit."""


class Absent(Struct, frozen=True, kw_only=True):
    """A line of goods, by its place from 1, of which only the quantity `here` is there; `orders`
    are those from which packs of it are still to come.
    """

    place: int
    line: Line
    here: Decimal
    orders: tuple[str, ...]


class GoodsNotHere(ActRefused):
    """A bill for goods that never came."""

    code = "goods-not-here"

    def __init__(
        self,
        absent: Sequence[Absent],
        billed: Mapping[int, Decimal],
        to_shelf: Mapping[int, Decimal],
        less: str,
    ) -> None:
        named = "; ".join(
            _named(one, billed.get(one.place, _NONE), to_shelf.get(one.place, _NONE))
            for one in absent
        )
        super().__init__(
            f"no delivery is booked of goods that would be billed: {named}. Book the delivery on "
            f"its order, or the goods on the shelf for this quote; {less}; or say in `unbooked` "
            "why they are billed all the same"
        )
        self.lines = tuple(one.place for one in absent)


_NONE: Final = Decimal(0)


def _named(absent: Absent, billed: Decimal, to_shelf: Decimal) -> str:
    line = absent.line
    back = f", {decimal_text(to_shelf)} put on the shelf" if to_shelf else ""
    orders = f", ordered by {', '.join(absent.orders)}" if absent.orders else ", not ordered"
    return (
        f"line {absent.place}, {line.code} ({line.description}): "
        f"{decimal_text(billed)} billed{back}, "
        f"{decimal_text(absent.here)} here{orders}"
    )


def absent_lines(
    records: Records,
    catalogue: Catalogue,
    quote: int,
    agreed: Quote,
    billed: Mapping[int, Decimal] = MappingProxyType({}),
) -> Iterator[Absent]:
    """Yield the agreed lines of goods that are not here, or not all of them. A line of which more
    is `billed` than was agreed may also have what is left of the goods here, and free on the shelf.
    """
    here = _here(records, catalogue, quote)
    missing = _missing(agreed.kit, here)
    goods = {at: line for at, line in enumerate(agreed.lines, start=1) if line.kind in GOODS}
    more = {at: billed.get(at, _NONE) - Decimal(line.quantity) for at, line in goods.items()}
    for item in {line.code for at, line in goods.items() if more[at] > 0}:
        here[item] += Fraction(sum(free for _, free in free_of(records, item)), UNIT)
    for place, line in goods.items():
        places = {(one.role, one.cylinder) for one in line.places}
        filled = [each for each in missing if (each[1].role, each[1].cylinder) in places]
        own = [each for each in filled if line.code in (each[0].item, each[1].fitted)] or filled
        needed = sum((Fraction(cover.quantity) for _, cover, _ in own), Fraction(0))
        lacking = sum((amount for _, _, amount in own), Fraction(0))
        beyond = max(Fraction(more[place]), Fraction(0))
        spare = min(beyond, here[line.code])
        here[line.code] -= spare
        if lacking or spare < beyond:
            whole = Decimal(line.quantity)
            there = part_of(whole, 1 - lacking / needed) if lacking else whole
            items = {one.item for one, _, amount in own if amount}
            yield Absent(
                place=place,
                line=line,
                here=there + part_of(Decimal(1), spare),
                orders=tuple(_awaited(records, quote, items)),
            )


def check_here(
    absent: Sequence[Absent],
    billed: Mapping[int, Decimal],
    unbooked: str | None,
    to_shelf: Mapping[int, Decimal] = MappingProxyType({}),
    *,
    less: str,
) -> tuple[int, ...]:
    """Return the lines of which more is billed and put on the shelf than is here, by their places.

    Args:
        absent: the lines of goods that are not all here.
        billed: the quantity that is billed of each line, by its place.
        to_shelf: the quantity that is said to go on the shelf.
        less: how the caller bills less.
        unbooked: why goods are billed of which no delivery is booked; None: no such are.

    Raises: GoodsNotHere, without such a reason.
    """
    over = [
        one
        for one in absent
        if billed.get(one.place, _NONE) + to_shelf.get(one.place, _NONE) > one.here
    ]
    if over and unbooked is None:
        raise GoodsNotHere(over, billed, to_shelf, less)
    return tuple(one.place for one in over)


def unbooked_facts(lines: Sequence[int]) -> Facts:
    """Return what an event tells of lines that are billed although they are not here. The reason
    is in the statement, because events hold no text of people.
    """
    return {"unbooked": ", ".join(map(str, lines))} if lines else {}


def _awaited(records: Records, quote: int, items: set[str]) -> Iterator[str]:
    """Yield the orders from which packs of some items are still to come for a quote."""
    for order in orders_of(records, quote):
        due = (
            holder.due
            for line in progress_of(records, order).lines
            if line.placed.item in items
            for holder in line.holders
            if holder.quote == quote
        )
        if any(due):
            yield written(ORDER, order.number)


def _here(records: Records, catalogue: Catalogue, quote: int) -> _Amounts:
    """Return what is here for a quote; of a set, what is in it."""
    here: _Amounts = defaultdict(Fraction)
    for packs in packs_held(records, catalogue, quote, only_there=True):
        held = per_pack(catalogue, packs.item, packs.size, packs.covers, packs.count)
        for number, amount in held.items():
            here[number] += amount * packs.count
    # what came by the orders is counted above
    stocked = Counter[str]()
    stocked.subtract(arrived_for(records, quote))
    for share in records.shelf.shares(quote):
        stocked[share.holding.item] += share.reserved + share.drawn
    for item, millionths in stocked.items():
        if millionths > 0:
            found = catalogue.sets.get(ItemId(item))
            contents = {ItemId(item): 1} if found is None else found.contents
            for number, count in contents.items():
                here[number] += Fraction(millionths * count, UNIT)
    return here


def _missing(kit: Kit, here: _Amounts) -> list[tuple[Pack, Cover, Fraction]]:
    """Return the needs that the shop fills, each with what is not here for it; `here` becomes what
    is left.
    """
    found = []
    for pack in kit.packs:
        for cover in pack.covers if pack.source != CUSTOMER else ():
            rest = Fraction(cover.quantity)
            for number in dict.fromkeys((cover.fitted or cover.part, cover.part)):
                taken = min(rest, here[number])
                rest -= taken
                here[number] -= taken
            found.append((pack, cover, rest))
    return found
