"""Order: the parts order for one supplier, with its lines, fees and freight."""

from __future__ import annotations

from datetime import date
from fractions import Fraction
from typing import Annotated, Literal

from msgspec import Meta, Struct, field

from kitwright.quote.base import Amount, Count, DecimalText, Minutes
from kitwright.quote.kit import Cover
from kitwright.units import unmixed


class OrderLine(Struct, frozen=True, kw_only=True):
    """A line of a parts order, in complete packs; costs are without tax.

    `stock` is `known`, `unknown` or `back_order`. `promised` follows from `lead_days`, which are
    the supplier's working days.
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


class AllottedLine(Struct, frozen=True, kw_only=True):
    """The packs of a line of an order that are for one quote; `line` is the line's place, from 1.

    `fraction` is its part of one more pack, which several quotes share, such as `2/5`; null: none.
    `quality` is that of the goods; null: not recorded.
    """

    line: Count
    packs: Count
    fraction: str | None = None
    quality: str | None = None
    net: Amount
    covers: tuple[Cover, ...]

    @property
    def share(self) -> Fraction:
        """The packs with the fraction."""
        return unmixed(self.packs, self.fraction)


class Order(Struct, frozen=True, kw_only=True):
    """The parts ordered from one supplier; `net` is goods, fees and freight without tax.

    `promised` is computed from `ordered_on`. In a quote, that is the quote's own day, and the order
    is assumed to be before the cutoff. In an order that is placed, it is the day of placing it; if
    that was after the cutoff, `promised` counts from the next day.
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


class Soonest(Struct, frozen=True, kw_only=True):
    """The cheapest purchase with which all is there as early as it can be. `gross` is the price of
    the quote with it, including tax if that is known.
    """

    landed: Amount
    ready_on: date
    gross: Amount


class Margin(Struct, frozen=True, kw_only=True):
    """What a quote leaves the shop for wages and overheads, without tax.

    `sold` is all that is charged but core deposits, which are paid back. `landed` is what the
    orders cost, those placed before and those still to be placed, with fees and freight, also of
    what is left over; `from_stock` is what the stock
    cost that is used, `sublet` what others charge for their work. `left` is what remains of
    `sold`; if it is below zero, `is_loss`. `freight_kept` is the freight that is charged, less
    what suppliers charge besides their goods. `minutes` are billed.
    """

    sold: Amount
    landed: Amount
    from_stock: Amount
    sublet: Amount
    left: Amount
    is_loss: bool = field(name="loss")
    freight_kept: Amount
    minutes: Minutes


class Buying(Struct, frozen=True, kw_only=True):
    """What the orders of a quote cost the shop, without tax.

    `landed` is goods, fees and freight, of orders placed before and of those still to be placed;
    all is there on `ready_on`, null if nothing is to come. With the aim `cheapest`, it is the least
    of all purchases that are there no later than if every item is bought where it is cheapest; with
    `in-time`, of all that are there by the day of need, as far as they can be. If `is_least` is
    false, another purchase may cost less, by at most `gap`.
    `soonest` is null if nothing can be there earlier.
    """

    aim: Literal["cheapest", "in-time"]
    landed: Amount
    ready_on: date | None
    soonest: Soonest | None
    is_least: bool
    gap: Amount
