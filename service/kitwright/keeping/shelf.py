"""Shelf: goods are received, reserved, released, drawn, counted, adjusted and returned.

Each is a move with its reason and the person. What is on hand, reserved and free follows from the
moves. A draw is always recorded, because the goods are gone: if it takes more than is free, the
newest reservations of other quotes end, and if it takes more than is on hand, the holding has to be
counted.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from msgspec import Struct

from kitwright.keeping.acts import AT_WORK, ActRefused
from kitwright.keeping.event import add_event, keep_change
from kitwright.keeping.ledger import (
    UNIT,
    Balance,
    Holding,
    Move,
    MoveKind,
    Owner,
    Share,
)
from kitwright.keeping.record import QuoteState, Stamp
from kitwright.keeping.store import Records
from kitwright.money import Money, round_ratio
from kitwright.units import decimal_text

DRAWN_BEYOND = "drawn beyond what the ledger knew of"
"""The reason of the adjustment before a draw that takes more than is on hand."""
SHORT = "short after a draw or a count"
"""The reason for which a reservation of another quote ends."""
_AGREED = AT_WORK | {QuoteState.accepted}


class ShelfRefused(ActRefused):
    """A move that the state of the shelf does not allow."""

    code = "shelf-refused"

    def __init__(self, entry: Entry, reason: str) -> None:
        super().__init__(f"can't {entry.kind.value} {entry.holding.item}: {reason}")
        self.item = entry.holding.item
        self.reason = reason


class Entry(Struct, frozen=True, kw_only=True):
    """A move as asked for. `amount` is in millionths of the item's unit: what is counted for a
    count, the change for an adjustment, else what is moved. `cost` is per unit, in minor units; if
    None, the average cost of the holding does not change.
    """

    holding: Holding
    kind: MoveKind
    amount: int
    cost: Fraction | None = None
    quote: int | None = None
    reason: str
    who: str = ""


def book(records: Records, stamp: Stamp, entry: Entry, currency: str) -> tuple[Move, ...]:
    """Return the moves of an entry: its own, after those that it makes necessary. They are added
    with one event.

    Raises: ShelfRefused, if more would be reserved than is free, released than is reserved,
    returned than was drawn, or adjusted away than is on hand.
    """
    moves = enter(records, stamp, entry, currency)
    facts = {"kind": entry.kind.value, "move": moves[-1].number}
    add_event(records, stamp, "shelf.moved", f"shelf:{entry.holding.item}", facts)
    return moves


def enter(records: Records, stamp: Stamp, entry: Entry, currency: str) -> tuple[Move, ...]:
    """Return the moves of an entry, added without an event. Raises: ShelfRefused."""
    holding = records.shelf.hold(entry.holding)
    found = records.shelf.get(holding.number)
    empty = Balance(on_hand=0, reserved=0, value=Money(0, currency), is_doubtful=False)
    booking = _Booking(records, stamp, holding, empty if found is None else found[1])
    return tuple(_MAKERS[entry.kind](booking, entry))


class _Booking:
    """The moves of one entry, each after the balance that the one before left."""

    def __init__(self, records: Records, stamp: Stamp, holding: Holding, now: Balance) -> None:
        self.records = records
        self.holding = holding
        self.now = now
        self._stamp = stamp

    def add(
        self,
        entry: Entry,
        *,
        kind: MoveKind | None = None,
        stock: int = 0,
        promised: int = 0,
        worth: Money | None = None,
        is_doubtful: bool | None = None,
    ) -> Move:
        """Add a move with the reason of an entry; return it."""
        now, stamp = self.now, self._stamp
        added = Money(0, now.value.currency) if worth is None else worth
        move = self.records.shelf.add(
            Move(
                holding=self.holding.number,
                kind=kind or entry.kind,
                quote=entry.quote,
                stock=stock,
                promised=promised,
                worth=added,
                on_hand=now.on_hand + stock,
                reserved=now.reserved + promised,
                value=now.value + added,
                is_doubtful=now.is_doubtful if is_doubtful is None else is_doubtful,
                reason=entry.reason,
                who=entry.who,
                hand=stamp.hand,
                by=stamp.by,
                at=stamp.at,
                day=stamp.today,
            )
        )
        self.now = move.balance
        return move

    def share(self, quote: int | None) -> Share | None:
        """Return what a quote has of the holding; None if it has nothing."""
        if quote is None:
            shares = self.records.shelf.reserved(self.holding.number)
        else:
            shares = self.records.shelf.shares(quote)
        number = self.holding.number
        mine = (one for one in shares if one.quote == quote and one.holding.number == number)
        return next(mine, None)

    def worth(self, stock: int, cost: Fraction | None = None) -> Money:
        """Return by how much a change of what is on hand changes the value: at a cost per unit, or
        at the average cost, or if nothing is on hand, at that of the last move.
        """
        value = self.now.value
        if self.holding.owner is not Owner.shop:
            minor = 0
        elif cost is not None:
            minor = round_ratio(stock * cost.numerator, UNIT * cost.denominator)
        elif self.now.on_hand:
            minor = round_ratio(value.minor * stock, self.now.on_hand)
        else:
            amount, last = self.records.shelf.last_worth(self.holding.number) or (1, value)
            minor = round_ratio(last.minor * stock, amount)
        return Money(minor, value.currency)

    def free_up(self, over: int, besides: int | None) -> Iterator[Move]:
        """End reservations, the newest first, until so much more is free. Those of the quote
        `besides` end last. Each quote that loses one is reopened.
        """
        shares = self.records.shelf.reserved(self.holding.number)
        for share in sorted(shares, key=lambda one: besides is not None and one.quote == besides):
            lost = min(share.reserved, over)
            if lost <= 0:
                return
            over -= lost
            entry = Entry(
                holding=self.holding,
                kind=MoveKind.release,
                amount=lost,
                quote=share.quote,
                reason=SHORT,
            )
            yield self.add(entry, promised=-lost)
            if share.quote is not None:
                self._reopen(share.quote, lost)

    def _reopen(self, number: int, lost: int) -> None:
        quote = self.records.quotes.get(number)
        if quote is not None and quote.state in _AGREED:
            quantity = decimal_text(Fraction(lost, UNIT))
            facts = {"item": self.holding.item, "quantity": quantity}
            keep_change(self.records, self._stamp, "quote.short", quote, facts)


def _receive(booking: _Booking, entry: Entry) -> Iterator[Move]:
    worth = booking.worth(entry.amount, entry.cost)
    yield booking.add(entry, stock=entry.amount, worth=worth)


def _reserve(booking: _Booking, entry: Entry) -> Iterator[Move]:
    if booking.holding.owner is not Owner.shop:
        raise ShelfRefused(entry, "only the shop's own stock is reserved")
    quote = None if entry.quote is None else booking.records.quotes.get(entry.quote)
    if quote is not None and quote.agreed is None:
        raise ShelfRefused(entry, "no revision of the quote is agreed")
    if entry.amount > booking.now.free:
        raise ShelfRefused(entry, f"only {_text(booking.now.free)} is free")
    yield booking.add(entry, promised=entry.amount)


def _release(booking: _Booking, entry: Entry) -> Iterator[Move]:
    share = booking.share(entry.quote)
    reserved = 0 if share is None else share.reserved
    if entry.amount > reserved:
        raise ShelfRefused(entry, f"only {_text(reserved)} is reserved for it")
    yield booking.add(entry, promised=-entry.amount)


def _draw(booking: _Booking, entry: Entry) -> Iterator[Move]:
    share = booking.share(entry.quote) if entry.quote is not None else None
    own = min(entry.amount, 0 if share is None else share.reserved)
    beyond = entry.amount - booking.now.on_hand
    if beyond > 0:
        found = Entry(
            holding=booking.holding,
            kind=MoveKind.adjust,
            amount=beyond,
            reason=DRAWN_BEYOND,
            who=entry.who,
        )
        yield booking.add(found, stock=beyond, worth=booking.worth(beyond))
    left = booking.now.on_hand - entry.amount
    yield from booking.free_up(booking.now.reserved - own - left, entry.quote)
    worth = booking.worth(-entry.amount)
    is_doubtful = True if beyond > 0 else None
    yield booking.add(
        entry, stock=-entry.amount, promised=-own, worth=worth, is_doubtful=is_doubtful
    )


def _count(booking: _Booking, entry: Entry) -> Iterator[Move]:
    yield from booking.free_up(booking.now.reserved - entry.amount, None)
    change = entry.amount - booking.now.on_hand
    yield booking.add(entry, stock=change, worth=booking.worth(change), is_doubtful=False)


def _adjust(booking: _Booking, entry: Entry) -> Iterator[Move]:
    left = booking.now.on_hand + entry.amount
    if left < 0:
        raise ShelfRefused(entry, f"only {_text(booking.now.on_hand)} is on hand")
    yield from booking.free_up(booking.now.reserved - left, None)
    worth = booking.worth(entry.amount, entry.cost if entry.amount > 0 else None)
    yield booking.add(entry, stock=entry.amount, worth=worth)


def _return(booking: _Booking, entry: Entry) -> Iterator[Move]:
    share = None if entry.quote is None else booking.share(entry.quote)
    drawn = 0 if share is None else share.drawn
    if entry.quote is not None and entry.amount > drawn:
        raise ShelfRefused(entry, f"only {_text(drawn)} was drawn for it")
    yield booking.add(entry, stock=entry.amount, worth=booking.worth(entry.amount, entry.cost))


def _text(amount: int) -> str:
    return decimal_text(Fraction(amount, UNIT))


_MAKERS = {
    MoveKind.receive: _receive,
    MoveKind.reserve: _reserve,
    MoveKind.release: _release,
    MoveKind.draw: _draw,
    MoveKind.count: _count,
    MoveKind.adjust: _adjust,
    MoveKind.return_: _return,
}
