"""Order: what one supplier is asked to send."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from msgspec import Meta, Struct

from kitwright.quote.base import Amount, Count, DecimalText
from kitwright.quote.kit import Cover


class OrderLine(Struct, frozen=True, kw_only=True):
    """A line of a parts order: whole packs, cost without tax; `stock` is `known`, `unknown` or
    `back_order`. `lead_days` are the supplier's working days from which `promised` follows.
    """

    sku: str
    item: str
    name: str
    brand: str
    packs: Count
    pack_size: Count
    unit_cost: DecimalText
    net: Amount
    stock: str
    lead_days: Count = 0
    promised: date
    covers: tuple[Cover, ...]


class OrderFee(Struct, frozen=True, kw_only=True):
    """A supplier's charge on an order."""

    code: str
    amount: Amount


class Order(Struct, frozen=True, kw_only=True):
    """What one supplier is asked to send; `net` is goods, fees and freight without tax.

    `promised` is reckoned from `ordered_on`: in a quote its own day, ordered before the cutoff; in
    an order that is made the day of that, by the clock.
    """

    supplier: str
    name: str
    order_by: Annotated[str, Meta(description="The supplier's cutoff, by `time_zone`'s clock.")]
    time_zone: Annotated[str | None, Meta(description="Null: the shop's.")] = None
    ordered_on: Annotated[date | None, Meta(description="Where the shop is.")] = None
    lines: tuple[OrderLine, ...]
    goods: Amount
    fees: tuple[OrderFee, ...]
    freight: Amount
    net: Amount
    promised: date
