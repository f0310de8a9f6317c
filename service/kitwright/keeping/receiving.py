"""Receiving: goods of an order go onto the shelf, and what the order's quote needs is reserved."""

from __future__ import annotations

from fractions import Fraction

from msgspec import Struct

from kitwright.keeping.ledger import Holding, Move, MoveKind
from kitwright.keeping.record import KeptOrder, Stamp
from kitwright.keeping.shelf import Entry, book
from kitwright.keeping.store import Records


class Received(Struct, frozen=True, kw_only=True):
    """Goods that arrived for an order: `amount` and `needed`, the part of it that the order's quote
    needs, are in millionths of the item's unit; `cost` is per unit, in minor units.
    """

    holding: Holding
    amount: int
    needed: int
    cost: Fraction


def take_in(
    records: Records, stamp: Stamp, order: KeptOrder, received: Received, who: str = ""
) -> tuple[Move, ...]:
    """Receive goods of an order, and reserve what its quote needs of them; return the moves. What
    is left over in the packs is free, and all of it if no revision of the quote is agreed any more.
    The reason of the moves is the order.

    Raises: ShelfRefused.
    """
    quote = None if order.quote is None else records.quotes.get(order.quote)
    entry = Entry(
        holding=received.holding,
        kind=MoveKind.receive,
        amount=received.amount,
        cost=received.cost,
        reason=f"order O{order.number}",
        who=who,
    )
    moves = book(records, stamp, entry, order.net.currency)
    needed = min(received.amount, received.needed)
    if quote is None or quote.agreed is None or needed <= 0:
        return moves
    reserved = Entry(
        holding=received.holding,
        kind=MoveKind.reserve,
        amount=needed,
        quote=quote.number,
        reason=entry.reason,
        who=who,
    )
    return *moves, *book(records, stamp, reserved, order.net.currency)
