"""Opening: the stock that the shop's file states is recorded once, as the first moves."""

from __future__ import annotations

from fractions import Fraction
from typing import Final

from kitwright.catalogue.model import Catalogue, ItemId, Shop, StockRow
from kitwright.keeping.ledger import UNIT, Holding, MoveKind, Owner
from kitwright.keeping.record import QuoteState, Stamp
from kitwright.keeping.reserving import settle
from kitwright.keeping.shelf import Entry, enter
from kitwright.keeping.store import QuoteFilter, Records
from kitwright.money import digits
from kitwright.units import exact

OPENING: Final = "opening stock"
PROMISED: Final = "promised before the ledger"
_AGREED: Final = (QuoteState.accepted, QuoteState.ordered, QuoteState.in_work)
_MOST: Final = 1_000_000


def pack_amount(catalogue: Catalogue, item: str) -> int:
    """Return the amount in one pack of an item, in millionths of its unit."""
    consumable = catalogue.consumables.get(ItemId(item))
    return UNIT if consumable is None else int(exact(consumable.pack) * UNIT)


def unit_cost(cost: Fraction, currency: str, pack: int) -> Fraction:
    """Return the cost of one unit in minor units, from that of a pack in major ones."""
    scale: int = 10 ** digits(currency)
    return cost * scale * UNIT / pack


def open_shelf(records: Records, stamp: Stamp, catalogue: Catalogue, shop: Shop) -> None:
    """Record the stock of the shop's file, with what it says is promised. Then reserve what the
    agreed quotes of the folder take from it, the oldest first. If it was recorded before, nothing
    changes.
    """
    if records.shelf.is_opened():
        return
    records.shelf.open(stamp.at)
    for row in shop.stock:
        _enter(records, stamp, catalogue, shop, row)
    agreed = records.quotes.find(QuoteFilter(states=_AGREED, most=_MOST))
    for quote in reversed(agreed):
        settle(records, stamp, quote)


def _enter(records: Records, stamp: Stamp, catalogue: Catalogue, shop: Shop, row: StockRow) -> None:
    pack = pack_amount(catalogue, row.item)
    pack = pack_amount(catalogue, row.item)
    holding = Holding(
        item=row.item,
        quality=row.quality,
        brand=row.brand,
        bin=row.bin,
        owner=Owner.shop,
    )
    cost = unit_cost(exact(row.cost), shop.currency, pack)
    for kind, packs, reason in (
        (MoveKind.receive, row.on_hand, OPENING),
        (MoveKind.reserve, row.promised, PROMISED),
    ):
        if packs:
            entry = Entry(holding=holding, kind=kind, amount=packs * pack, cost=cost, reason=reason)
            enter(records, stamp, entry, shop.currency)
