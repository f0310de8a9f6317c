"""Records of orders, and what quotes have of them."""

from __future__ import annotations

from datetime import date, datetime
from enum import StrEnum

from msgspec import Struct

from kitwright.keeping.record.hand import Hand
from kitwright.money import Money


class OrderState(StrEnum):
    """The state of a parts order: it is sent and confirmed, and its goods arrive, or it is
    cancelled.
    """

    draft = "draft"
    sent = "sent"
    confirmed = "confirmed"
    part_received = "part_received"
    received = "received"
    cancelled = "cancelled"


class KeptOrder(Struct, frozen=True, kw_only=True):
    """An order to one supplier for accepted revisions, as it was placed: each of its lines says
    what it is for. `quote` and `revision` are None if it is for several quotes; its allocations say
    what each has of it.
    """

    number: int
    version: int
    state: OrderState
    quote: int | None
    revision: int | None
    supplier: str
    net: Money
    made_at: datetime
    body: bytes
    """The order as JSON."""


class Allocation(Struct, frozen=True, kw_only=True):
    """What one revision has of an order: its goods, and its share of fees and freight, without tax.
    The allocations of an order add up to it.
    """

    order: int
    quote: int
    revision: int
    goods: Money
    fees: Money
    freight: Money
    lines: bytes
    """Its packs of each line, as JSON (`kitwright.quote.AllottedLine`)."""


class OrderEntry(Struct, frozen=True, kw_only=True):
    """What happened to an order; it never changes. `who` is the person as named at the counter."""

    order: int
    number: int
    kind: str
    at: datetime
    day: date
    who: str
    hand: Hand
    by: str
    body: bytes
    """The facts as JSON (`kitwright.keeping.order_entry`)."""
