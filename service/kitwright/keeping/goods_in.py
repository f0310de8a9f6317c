"""Goods in: what arrives for an order goes onto the shelf, and what goes back leaves it.

Goods are reserved for the quotes that they were ordered for, as far as these need them; the rest is
free. What goes back must be free, or reserved for the quote whose goods they are.
"""

from __future__ import annotations

from fractions import Fraction

from msgspec import Struct, structs

from kitwright.catalogue.model import Quality
from kitwright.keeping.acts import ActRefused
from kitwright.keeping.ledger import UNIT, Holding, MoveKind, Owner
from kitwright.keeping.order_entry import Part
from kitwright.keeping.order_progress import Holder, LineState
from kitwright.keeping.receiving import Received, take_in
from kitwright.keeping.record import KeptOrder, Stamp
from kitwright.keeping.shelf import Entry, book, enter
from kitwright.keeping.store import Records

SENT_BACK = "sent back to the supplier"
RECEIVING = "receiving"
"""The bin of goods that had none before."""


class Goods(Struct, frozen=True, kw_only=True):
    """Goods of a line of an order: `per_pack` is the amount in a pack, in millionths of
    the item's unit, `cost` that of a unit in minor units.
    """

    order: KeptOrder
    line: LineState
    per_pack: int
    quality: Quality
    cost: Fraction
    currency: str
    bin: str | None = None
    who: str = ""


class NotOnShelf(ActRefused):
    """Goods that should go back, but are not there or promised to others."""

    code = "not-on-shelf"

    def __init__(self, item: str, free: int) -> None:
        super().__init__(
            f"can't send back {item}: only {free} of it is on the shelf and not reserved for others"
        )
        self.item = item
        self.free = free


def shelve(
    records: Records, stamp: Stamp, goods: Goods, packs: int, parts: tuple[Part, ...]
) -> tuple[Part, ...]:
    """Put packs of a line onto the shelf, and reserve those that quotes need; return the parts with
    the amounts reserved.
    """
    holding = _place(records, goods)
    holders = {holder.quote: holder for holder in goods.line.holders}

    def taken(amount: int, quote: int | None, needed: int) -> int:
        received = Received(
            holding=holding,
            amount=amount,
            cost=goods.cost,
            currency=goods.currency,
            reason=f"order O{goods.order.number}",
            quote=quote,
            needed=needed,
            who=goods.who,
        )
        return take_in(records, stamp, received)

    rest, reserved = packs * goods.per_pack, []
    for part in parts:
        amount = int(part.share * goods.per_pack)
        wanted = _wanted(goods, holders[part.quote], amount)
        reserved.append(structs.replace(part, amount=taken(amount, part.quote, wanted)))
        rest -= amount
    # what is over and kept, or left of packs that are shared, is for nobody
    if rest:
        taken(rest, None, 0)
    return tuple(reserved)


def _place(records: Records, goods: Goods) -> Holding:
    """Return the goods on the shelf to which others like them are added."""
    placed = goods.line.placed
    like = [
        holding
        for holding, _ in records.shelf.of_item(placed.item)
        if holding.owner is Owner.shop
        and (holding.quality, holding.brand) == (goods.quality, placed.brand)
        and goods.bin in (None, holding.bin)
    ]
    if like:
        return like[0]
    return Holding(
        item=placed.item,
        quality=goods.quality,
        brand=placed.brand,
        bin=goods.bin or RECEIVING,
        owner=Owner.shop,
    )


def _wanted(goods: Goods, holder: Holder, there: int) -> int:
    """Return how much of an amount a quote needs: of a set, which is fitted part by part, all."""
    item = goods.line.placed.item
    own = [cover for cover in holder.covers if item in (cover.part, cover.fitted)]
    if not own:
        return there
    needed = sum(Fraction(cover.quantity) for cover in own) * UNIT
    return max(0, min(there, int(needed) - holder.amount))


def may_leave(records: Records, line: LineState, per_pack: int) -> bool:
    """Return whether a pack of a line is on the shelf, and not reserved for others."""
    item, free = line.placed.item, 0
    for holding, balance in records.shelf.of_item(item):
        free += balance.free if holding.owner is Owner.shop else 0
    for holder in line.holders:
        shares = records.shelf.shares(holder.quote)
        reserved = sum(share.reserved for share in shares if share.holding.item == item)
        free += min(reserved, holder.amount)
    return free >= per_pack


def unshelve(
    records: Records, stamp: Stamp, goods: Goods, packs: int, parts: tuple[Part, ...]
) -> tuple[Part, ...]:
    """Take packs of a line off the shelf, with the reservations that their quotes had because of
    it; return the parts with the amounts released.

    Raises: NotOnShelf.
    """
    item = goods.line.placed.item
    holders = {holder.quote: holder for holder in goods.line.holders}
    released = []
    for part in parts:
        most = min(int(part.share * goods.per_pack), holders[part.quote].amount)
        amount = _release(records, stamp, goods, part.quote, most)
        released.append(structs.replace(part, amount=amount))
    left = packs * goods.per_pack
    for holding, balance in records.shelf.of_item(item):
        taken = min(left, balance.free)
        if holding.owner is Owner.shop and taken > 0:
            entry = Entry(
                holding=holding,
                kind=MoveKind.adjust,
                amount=-taken,
                reason=f"{SENT_BACK}, order O{goods.order.number}",
                who=goods.who,
            )
            book(records, stamp, entry, goods.currency)
            left -= taken
    if left:
        raise NotOnShelf(item, (packs * goods.per_pack - left) // UNIT)
    return tuple(released)


def _release(records: Records, stamp: Stamp, goods: Goods, quote: int, most: int) -> int:
    """End reservations of an item for a quote; return how much was released."""
    left = most
    for share in records.shelf.shares(quote):
        amount = min(left, share.reserved)
        if share.holding.item == goods.line.placed.item and amount > 0:
            entry = Entry(
                holding=share.holding,
                kind=MoveKind.release,
                amount=amount,
                quote=quote,
                reason=f"{SENT_BACK}, order O{goods.order.number}",
                who=goods.who,
            )
            enter(records, stamp, entry, goods.currency)
            left -= amount
    return most - left
