"""Shelf wire: what calls on the shelf take and answer."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from fractions import Fraction
from typing import Annotated, Literal

from msgspec import Meta, Struct

from kitwright.catalogue.model import Catalogue
from kitwright.keeping.ledger import (
    UNIT,
    Balance,
    Holding,
    Move,
    Owner,
    ReorderPoint,
    Standing,
)
from kitwright.keeping.opening import pack_amount
from kitwright.keeping.record import Hand
from kitwright.money import total
from kitwright.quote import Amount, DecimalText, amount_of
from kitwright.units import decimal_text
from kitwright.web.calls.ids import QUOTE, QuoteId, written_or_none
from kitwright.web.calls.shown import Out, Place
from kitwright.web.edge.shapes import (
    ONE_LINE,
    SEEN_TEXT,
    DecimalIn,
    PageCursor,
    PageLimit,
    Text,
    Wire,
)

BinText = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=100,
        pattern=ONE_LINE,
        description="A bin, as the shop names it.",
        extra={"wanted": f"text of 1 to 100 characters on one line, {SEEN_TEXT}"},
    ),
]


class MoveIn(Wire, frozen=True, kw_only=True):
    """A move of an item on the shelf.

    `quantity` is in the item's unit, `packs` in packs of a consumable; exactly one of them is
    given. For `count` it is what was counted, for `adjust` the change. `cost` is that of one pack
    or piece, without tax; if it is left out, the average cost stays. `quote` is the quote that
    something is reserved, released or drawn for, or comes back from.

    `bin`, `quality`, `brand` and `owner` say which goods are meant, if the item is on the shelf in
    more than one place, make or ownership.
    """

    kind: Literal["receive", "reserve", "release", "draw", "count", "adjust", "return"]
    quantity: DecimalIn | None = None
    packs: DecimalIn | None = None
    bin: BinText | None = None
    quality: Literal["maker", "alternate"] | None = None
    brand: Text | None = None
    owner: Literal["shop", "customer", "core"] = "shop"
    cost: DecimalIn | None = None
    quote: QuoteId | None = None
    reason: Text
    by: Text


class ReorderPointIn(Wire, frozen=True, kw_only=True):
    """When to propose an order: if less than `least` is free, up to `wanted`, in the item's unit.
    With `wanted` zero, nothing is proposed.
    """

    least: DecimalIn
    wanted: DecimalIn


class ShelfQuery(Wire, frozen=True, kw_only=True):
    """Which items, those that came onto the shelf last first."""

    limit: PageLimit = 50
    cursor: PageCursor = ""


class StockValueQuery(Wire, frozen=True, kw_only=True):
    """The day whose end counts, by default today."""

    on: Annotated[date | None, Meta(description="The day, in the shop's time zone.")] = None


class HoldingOut(Out, frozen=True, kw_only=True):
    """The goods of one make and owner in one bin. `brand` is null if the make is not recorded.
    `must_be_counted` says that more was drawn than the ledger knew of.
    """

    bin: str
    quality: str
    brand: str | None
    owner: str
    quote: QuoteId | None
    on_hand: DecimalText
    reserved: DecimalText
    free: DecimalText
    value: Amount
    must_be_counted: bool


class MoveOut(Out, frozen=True, kw_only=True):
    """A move: `quantity` is the change of what is on hand, `promised` that of what is reserved,
    `worth` that of the value. `on_hand` and `reserved` are those of its bin and make after it.
    """

    number: Place
    kind: str
    bin: str
    owner: str
    quote: QuoteId | None
    quantity: DecimalText
    promised: DecimalText
    worth: Amount
    on_hand: DecimalText
    reserved: DecimalText
    reason: str
    who: str
    hand: Hand
    by: str
    at: datetime
    day: date


class ReorderOut(Out, frozen=True, kw_only=True):
    """A reorder point, and what it proposes to order now: null if enough is free."""

    least: DecimalText
    wanted: DecimalText
    propose: DecimalText | None


class ShelfItemOut(Out, frozen=True, kw_only=True):
    """An item on the shelf. What is on hand, reserved and free is the shop's own stock, in the
    item's unit. `pack` is the quantity in one pack, and `opened` what is left in opened packs.

    Customers' parts and old parts kept for a deposit are in `holdings` alone. Items are numbered in
    the order in which they came onto the shelf.
    """

    number: Place
    item: str
    name: str
    measure: str
    pack: DecimalText
    on_hand: DecimalText
    reserved: DecimalText
    free: DecimalText
    opened: DecimalText
    value: Amount
    must_be_counted: bool
    holdings: tuple[HoldingOut, ...]
    reorder: ReorderOut | None


class ShelfStateOut(ShelfItemOut, frozen=True, kw_only=True):
    """An item on the shelf, with its newest moves."""

    moves: tuple[MoveOut, ...]


class ValuedOut(Out, frozen=True, kw_only=True):
    """The shop's own stock of an item at the end of a day."""

    item: str
    on_hand: DecimalText
    value: Amount


class StockValueOut(Out, frozen=True, kw_only=True):
    """The value of the stock at the end of a day: what it cost the shop, without tax."""

    on: date
    value: Amount
    items: tuple[ValuedOut, ...]


class Shown(Struct, frozen=True):
    """What items of the shelf are shown with: the catalogue, their names' language, the currency
    and the reorder points.
    """

    catalogue: Catalogue
    currency: str
    points: dict[str, ReorderPoint]


def text_of(amount: int) -> str:
    """Return an amount of the ledger as a decimal text in units."""
    return decimal_text(Fraction(amount, UNIT))


def item_out(shown: Shown, item: str, name: str, found: Sequence[Standing]) -> ShelfItemOut:
    """Return an item on the shelf, numbered by its first holding."""
    own = [balance for holding, balance in found if holding.owner is Owner.shop]
    pack = pack_amount(shown.catalogue, item)
    consumable = shown.catalogue.consumables.get(item)  # type: ignore[call-overload]
    free = sum(one.free for one in own)
    point = shown.points.get(item)
    return ShelfItemOut(
        number=min((holding.number for holding, _ in found), default=0),
        item=item,
        name=name,
        measure=_measure(shown.catalogue, item) if consumable is None else consumable.unit,
        pack=text_of(pack),
        on_hand=text_of(sum(one.on_hand for one in own)),
        reserved=text_of(sum(one.reserved for one in own)),
        free=text_of(free),
        opened=text_of(sum(one.on_hand % pack for one in own)),
        value=amount_of(total((one.value for one in own), shown.currency)),
        must_be_counted=any(one.is_doubtful for one in own),
        holdings=tuple(_holding_out(*one) for one in found),
        reorder=None if point is None else _reorder_out(point, free),
    )


def _measure(catalogue: Catalogue, item: str) -> str:
    return "set" if item in catalogue.sets else "piece"


def _holding_out(holding: Holding, balance: Balance) -> HoldingOut:
    return HoldingOut(
        bin=holding.bin,
        quality=holding.quality.value,
        brand=holding.brand,
        owner=holding.owner.value,
        quote=written_or_none(QUOTE, holding.quote),
        on_hand=text_of(balance.on_hand),
        reserved=text_of(balance.reserved),
        free=text_of(balance.free),
        value=amount_of(balance.value),
        must_be_counted=balance.is_doubtful,
    )


def _reorder_out(point: ReorderPoint, free: int) -> ReorderOut:
    is_due = free < point.least
    return ReorderOut(
        least=text_of(point.least),
        wanted=text_of(point.wanted),
        propose=text_of(point.wanted - free) if is_due else None,
    )


def move_out(move: Move, holding: Holding) -> MoveOut:
    """Return a move's wire struct."""
    return MoveOut(
        number=move.number,
        kind=move.kind.value,
        bin=holding.bin,
        owner=holding.owner.value,
        quote=written_or_none(QUOTE, move.quote),
        quantity=text_of(move.stock),
        promised=text_of(move.promised),
        worth=amount_of(move.worth),
        on_hand=text_of(move.on_hand),
        reserved=text_of(move.reserved),
        reason=move.reason,
        who=move.who,
        hand=move.hand,
        by=move.by,
        at=move.at,
        day=move.day,
    )


def value_out(on: date, found: Sequence[Standing], currency: str) -> StockValueOut:
    """Return the value of the shop's own stock at the end of a day."""
    by_item: dict[str, list[Balance]] = {}
    for holding, balance in found:
        if holding.owner is Owner.shop:
            by_item.setdefault(holding.item, []).append(balance)
    values = {
        item: total((one.value for one in own), currency) for item, own in sorted(by_item.items())
    }
    return StockValueOut(
        on=on,
        value=amount_of(total(values.values(), currency)),
        items=tuple(
            ValuedOut(
                item=item,
                on_hand=text_of(sum(one.on_hand for one in by_item[item])),
                value=amount_of(value),
            )
            for item, value in values.items()
        ),
    )
