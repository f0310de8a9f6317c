"""Receiving: goods go onto the shelf, and what a quote needs of them is reserved for it."""

from __future__ import annotations

from fractions import Fraction
from typing import Final

from msgspec import Struct

from kitwright.keeping.acts import AT_WORK
from kitwright.keeping.ledger import Holding, MoveKind
from kitwright.keeping.record import QuoteState, Stamp
from kitwright.keeping.shelf import Entry, book
from kitwright.keeping.store import Records

_NEEDS: Final = AT_WORK | {QuoteState.accepted}


class Received(Struct, frozen=True, kw_only=True):
    """Goods that arrived, for a quote or for nobody (None).

    `amount` and `needed`, the part of it that the quote needs, are in millionths of the item's
    unit; `cost` is per unit, in minor units. `reason` says what they were ordered by, and `who`
    took them in.
    """

    holding: Holding
    amount: int
    cost: Fraction
    currency: str
    reason: str
    quote: int | None = None
    needed: int = 0
    who: str = ""


def take_in(records: Records, stamp: Stamp, received: Received) -> int:
    """Receive goods, and reserve what their quote needs of them; return how much was reserved.

    What is left over in the packs is free, and all of it if no revision of the quote is agreed any
    more, or its work is over. Raises: ShelfRefused.
    """
    entry = Entry(
        holding=received.holding,
        kind=MoveKind.receive,
        amount=received.amount,
        cost=received.cost,
        reason=received.reason,
        who=received.who,
    )
    book(records, stamp, entry, received.currency)
    quote = None if received.quote is None else records.quotes.get(received.quote)
    needed = min(received.amount, received.needed)
    if quote is None or quote.agreed is None or quote.state not in _NEEDS or needed <= 0:
        return 0
    reserved = Entry(
        holding=received.holding,
        kind=MoveKind.reserve,
        amount=needed,
        quote=quote.number,
        reason=received.reason,
        who=received.who,
    )
    book(records, stamp, reserved, received.currency)
    return needed
