"""Order entry: the facts of what happens to a parts order, as they are recorded.

Lines are named by their place in the order, from 1. Quantities are packs. `parts` say which quotes
packs are for, so that the state of an order, and what each quote has of it, are sums over entries.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from enum import StrEnum
from fractions import Fraction

import msgspec
from msgspec import Struct

from kitwright.keeping.record import OrderEntry
from kitwright.money import Money
from kitwright.units import unmixed


class SentBy(StrEnum):
    """How an order went to its supplier."""

    email = "email"
    portal = "portal"
    telephone = "telephone"


class ReturnReason(StrEnum):
    """Why goods go back: they arrived damaged, were other goods, were too many, are not needed, or
    are old parts for which a deposit was paid.
    """

    damaged = "damaged"
    wrong = "wrong"
    over = "over"
    not_needed = "not_needed"
    core = "core"


class Part(Struct, frozen=True, kw_only=True):
    """The packs of a line that an entry concerns for one quote, and its `fraction` of a pack that
    several share. `amount` is what was reserved for it on the shelf, or released, in millionths of
    the item's unit.
    """

    quote: int
    packs: int
    fraction: str | None = None
    amount: int = 0

    @property
    def share(self) -> Fraction:
        """The packs with the fraction."""
        return unmixed(self.packs, self.fraction)


class Sent(Struct, frozen=True, kw_only=True, tag="sent"):
    """The order went out; `number` is the supplier's own for it, if it is known. `without_advance`
    is why, if an advance for its parts was not recorded.
    """

    means: SentBy
    number: str | None
    without_advance: str | None = None


class AnsweredLine(Struct, frozen=True, kw_only=True):
    """The supplier's answer for a line: `refused` packs won't come. Facts that are None are as
    before; `is_open` says that no day is promised.
    """

    line: int
    refused: int = 0
    promised: date | None = None
    is_open: bool = False
    is_back_order: bool = False
    is_disputed: bool = False
    unit_cost: str | None = None
    parts: tuple[Part, ...] = ()


class Answered(Struct, frozen=True, kw_only=True, tag="answered"):
    """The supplier's answer. Lines that it does not name are accepted as they were ordered."""

    number: str | None
    lines: tuple[AnsweredLine, ...]


class ReceivedLine(Struct, frozen=True, kw_only=True):
    """Packs of a line that arrived: `packs` as ordered, `over` more than were due, of which the
    shop keeps `kept`; `damaged` and `wrong` ones are not accepted. A pack holds `per_pack`, in
    millionths of the item's unit; 0 if that was not recorded.
    """

    line: int
    packs: int
    over: int = 0
    kept: int = 0
    damaged: int = 0
    wrong: int = 0
    unit_cost: str | None = None
    per_pack: int = 0
    parts: tuple[Part, ...] = ()


class Received(Struct, frozen=True, kw_only=True, tag="received"):
    """A delivery, on a day; `number` is that of the delivery note."""

    number: str | None
    day: date
    lines: tuple[ReceivedLine, ...]


class ReturnedLine(Struct, frozen=True, kw_only=True):
    """Packs of a line that went back, or pieces of old parts if `why` is `core`. `credit` is what
    the supplier should credit, without tax.
    """

    line: int
    why: ReturnReason
    packs: int
    credit: Money
    parts: tuple[Part, ...] = ()


class Returned(Struct, frozen=True, kw_only=True, tag="returned"):
    """Goods went back to the supplier; `number` is the supplier's for the return."""

    number: str | None
    agreed: str | None
    lines: tuple[ReturnedLine, ...]


class BilledLine(Struct, frozen=True, kw_only=True):
    """Packs of a line that the supplier bills, at a cost per pack."""

    line: int
    packs: int
    unit_cost: str


class Billed(Struct, frozen=True, kw_only=True, tag="billed"):
    """The supplier's bill: `charges` are its fees and freight, `net` its total, without tax."""

    number: str
    day: date
    lines: tuple[BilledLine, ...]
    charges: Money
    net: Money


class BillBack(Struct, frozen=True, kw_only=True, tag="bill_back"):
    """A recorded bill, by its number and with its lines, was taken back."""

    number: str
    reason: str
    lines: tuple[BilledLine, ...]


class CancelledLine(Struct, frozen=True, kw_only=True):
    """Packs of a line that are no longer wanted."""

    line: int
    packs: int
    parts: tuple[Part, ...] = ()


class Cancelled(Struct, frozen=True, kw_only=True, tag="cancelled"):
    """What has not arrived was cancelled, all of it or some packs."""

    reason: str
    lines: tuple[CancelledLine, ...]


Fact = Sent | Answered | Received | Returned | Billed | BillBack | Cancelled
"""The facts of an entry."""

_FACT: msgspec.json.Decoder[Fact] = msgspec.json.Decoder(Fact)


def fact_of(entry: OrderEntry) -> Fact:
    """Return the facts of an entry."""
    return _FACT.decode(entry.body)


def standing_bills(facts: Iterable[Fact]) -> tuple[Billed, ...]:
    """Return the bills of an order that were not taken back, oldest first."""
    bills: dict[str, Billed] = {}
    for fact in facts:
        if isinstance(fact, Billed):
            bills[fact.number] = fact
        elif isinstance(fact, BillBack):
            bills.pop(fact.number, None)
    return tuple(bills.values())


def kind_of(fact: Fact) -> str:
    """Return the kind of an entry, by its facts."""
    return str(fact.__struct_config__.tag)
