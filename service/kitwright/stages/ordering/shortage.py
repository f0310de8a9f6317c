"""Shortage: what an agreed revision takes from stock, but is no longer there, is bought instead."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import date
from decimal import Decimal
from fractions import Fraction

from msgspec import Struct, structs

from kitwright.catalogue.model import ItemId, Quality, RoleId
from kitwright.stages.kit import Bought, Market, Need, NeedKind, choose_kit
from kitwright.stages.ordering.follow_up import NotOrderable
from kitwright.stages.ordering.order import Use, use_of
from kitwright.stages.ordering.placed import Packs, packs_from
from kitwright.stages.request import Terms


class NothingSells(NotOrderable):
    """No supplier sells an item that is short."""

    code = "nothing-sells"

    def __init__(self, item: ItemId) -> None:
        super().__init__(
            f"can't order {item}: it was to be taken from stock and is short, and no supplier "
            "sells it in the shop's currency; revise the quote, or receive it into stock"
        )
        self.item = item


class Missing(Struct, frozen=True, kw_only=True):
    """A need whose stock is short: the quantity that `use` gives, in a unit, of a quality."""

    use: Use
    unit: str
    quality: Quality


def take_last(uses: Sequence[Use], part: Fraction) -> tuple[Use, ...]:
    """Return a part of the quantities of some uses, of each number that is fitted, from the end."""
    left: dict[ItemId, Fraction] = defaultdict(Fraction)
    for use in uses:
        left[use.number] += use.quantity * part
    taken = []
    for use in reversed(uses):
        quantity = min(use.quantity, left[use.number])
        left[use.number] -= quantity
        if quantity:
            taken.append(structs.replace(use, quantity=quantity))
    return tuple(reversed(taken))


def buy_missing(
    market: Market, missing: Iterable[Missing], *, on: date, needed_by: date | None
) -> tuple[Packs, ...]:
    """Return the packs that cover what is missing at least purchase cost, in the quality that was
    to be taken from stock; if nobody sells that, in the quality that the shop asks for.

    Raises: NothingSells.
    """
    needs = tuple(_need(each, each.quality) for each in missing)
    if not needs:
        return ()
    bare = market.without_stock()
    kit = choose_kit(bare, needs, Terms(), on=on, needed_by=needed_by)
    bought = list(kit.bought)
    if kit.unfilled:
        floors = market.shop.quality_floor
        lower = tuple(
            structs.replace(
                each.need,
                quantity=_decimal(each.quantity),
                floor=floors.get(RoleId(each.need.role), Quality.alternate),
            )
            for each in kit.unfilled
        )
        kit = choose_kit(bare, lower, Terms(), on=on, needed_by=needed_by)
        for unfilled in kit.unfilled:
            raise NothingSells(unfilled.item)
        bought += kit.bought
    return tuple(map(_packs, bought))


def _need(missing: Missing, floor: Quality) -> Need:
    use = missing.use
    return Need(
        role=use.role,
        cylinder=use.cylinder,
        item=use.item,
        quantity=_decimal(use.quantity),
        unit=missing.unit,
        kind=NeedKind.replaced,
        floor=floor,
        acceptable=(use.item,),
        options=(use.item,),
        why=(),
    )


def _decimal(quantity: Fraction) -> Decimal:
    return Decimal(quantity.numerator) / Decimal(quantity.denominator)


def _packs(bought: Bought) -> Packs:
    return packs_from(bought.source, bought.packs, tuple(map(use_of, bought.covers)))


def joined(wanted: Iterable[Packs]) -> tuple[Packs, ...]:
    """Return packs with those of one SKU and size in one place, so that they are ordered in one
    line.
    """
    by_key: dict[tuple[str, str, int], Packs] = {}
    for packs in wanted:
        key = packs.supplier, packs.sku, packs.size
        before = by_key.get(key)
        by_key[key] = (
            packs
            if before is None
            else structs.replace(
                before, count=before.count + packs.count, covers=(*before.covers, *packs.covers)
            )
        )
    return tuple(by_key.values())
