"""Ledger: the moves of everything on the shelf, from which its state is computed.

A move never changes. It states by how much it changed what is on hand and reserved, and the balance
after it, as on a bank statement: so the state of a holding is that of its last move.

Amounts are whole millionths of the item's unit: a piece, a set, or the unit of a consumable.
"""

from __future__ import annotations

from datetime import date, datetime
from enum import Enum, StrEnum
from typing import Final, Protocol

from msgspec import Struct

from kitwright.catalogue.model import Quality
from kitwright.keeping.record import Hand
from kitwright.money import Money

UNIT: Final = 1_000_000
"""One unit, in the amounts of moves."""


class Owner(StrEnum):
    """Whose something on the shelf is: the shop's, a customer's own part, or an old part that is
    returned for its deposit. Only the shop's own counts as stock.
    """

    shop = "shop"
    customer = "customer"
    core = "core"


class MoveKind(Enum):
    """What a move does: goods arrive, are reserved for a quote, released, or drawn for the work;
    stock is counted, or adjusted for a reason; or drawn goods come back.
    """

    receive = "receive"
    reserve = "reserve"
    release = "release"
    draw = "draw"
    count = "count"
    adjust = "adjust"
    return_ = "return"


class Holding(Struct, frozen=True, kw_only=True):
    """An item of one make and one owner in one bin; `brand` None is a make that is not recorded.

    `quote` is the quote that a customer's part or a core belongs to.
    """

    number: int = 0
    item: str
    quality: Quality
    brand: str | None
    bin: str
    owner: Owner
    quote: int | None = None


class Balance(Struct, frozen=True, kw_only=True):
    """The state of a holding: `value` is what the stock on hand cost, without tax. `is_doubtful`
    says that it has to be counted, because more was drawn than the ledger knew of.
    """

    on_hand: int
    reserved: int
    value: Money
    is_doubtful: bool

    @property
    def free(self) -> int:
        """What may still be reserved."""
        return self.on_hand - self.reserved


class Move(Struct, frozen=True, kw_only=True):
    """One move: `stock` is the change of what is on hand, `promised` that of what is reserved, and
    `worth` that of the value. The other amounts are the balance after it.

    `quote` is the quote that goods are reserved or drawn for, or come back from. `who` is the
    person as named at the counter; `hand` and `by` say whose key, link or service it was.
    """

    number: int = 0
    holding: int
    kind: MoveKind
    quote: int | None
    stock: int
    promised: int
    worth: Money
    on_hand: int
    reserved: int
    value: Money
    is_doubtful: bool
    reason: str
    who: str
    hand: Hand
    by: str
    at: datetime
    day: date

    @property
    def balance(self) -> Balance:
        """The state of the holding after the move."""
        return Balance(
            on_hand=self.on_hand,
            reserved=self.reserved,
            value=self.value,
            is_doubtful=self.is_doubtful,
        )


class Share(Struct, frozen=True, kw_only=True):
    """What a quote has of a holding: reserved for it, and drawn for it less what came back.

    `quote` None is for what is reserved for another reason.
    """

    holding: Holding
    quote: int | None
    reserved: int
    drawn: int


class ReorderPoint(Struct, frozen=True, kw_only=True):
    """When to propose an order of an item: as soon as less than `least` is free, up to `wanted`."""

    item: str
    least: int
    wanted: int


Standing = tuple[Holding, Balance]
"""A holding and its present state."""


class Shelf(Protocol):
    """The shelf: its holdings, their moves, and the reorder points."""

    def is_opened(self) -> bool:
        """Return whether the opening stock was recorded."""

    def open(self, at: datetime) -> None:
        """Note that the opening stock was recorded. Raises: RecordConflict, if it was before."""

    def hold(self, holding: Holding) -> Holding:
        """Return the stored holding with the same members, added if there is none."""

    def get(self, number: int) -> Standing | None:
        """Return a holding and its state, or None."""

    def of_item(self, item: str) -> tuple[Standing, ...]:
        """Return the holdings of an item, in the order in which they were added."""

    def items(self, before: int | None, most: int) -> tuple[tuple[int, str], ...]:
        """Return at most `most` items, each with the number of its first holding, newest first;
        only those below a number.
        """

    def add(self, move: Move) -> Move:
        """Add a move; return it with its number.

        Raises: RecordConflict, if its balance does not follow from the one before, or if less than
        nothing would be on hand or reserved, or more reserved than is on hand.
        """

    def moves(self, item: str, before: int | None, most: int) -> tuple[Move, ...]:
        """Return the moves of an item, newest first."""

    def last(self) -> int:
        """Return the number of the newest move, 0 if there is none."""

    def moved(self, after: int) -> tuple[str, ...]:
        """Return the items with moves after one, sorted."""

    def last_worth(self, holding: int) -> tuple[int, Money] | None:
        """Return the amount and worth of the last move that changed both, each above zero."""

    def shares(self, quote: int) -> tuple[Share, ...]:
        """Return what a quote has of the shelf, without shares that are nothing."""

    def reserved(self, holding: int) -> tuple[Share, ...]:
        """Return the quotes for which some of a holding is reserved, the newest first."""

    def value_on(self, day: date) -> tuple[Standing, ...]:
        """Return the holdings as they stood at the end of a day."""

    def points(self) -> tuple[ReorderPoint, ...]:
        """Return all reorder points, by item."""

    def put_point(self, point: ReorderPoint) -> None:
        """Set the reorder point of an item."""

    def drop_point(self, item: str) -> None:
        """Remove the reorder point of an item. Does nothing if there is none."""
