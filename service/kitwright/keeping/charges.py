"""Charges: what suppliers charged in freight and fees for a quote's parts."""

from __future__ import annotations

from collections.abc import Collection
from fractions import Fraction

from kitwright.keeping.order_entry import Billed, fact_of
from kitwright.keeping.order_progress import placed_order, shares_of
from kitwright.keeping.record import Allocation, KeptOrder, OrderState
from kitwright.keeping.store import Records
from kitwright.money import Money, round_ratio, total


def charged_for(records: Records, quote: int, besides: Collection[int] = ()) -> Money | None:
    """Return a quote's share of the freight and fees of the orders that were placed for it, except
    those `besides`, without tax; None if there are none.

    Where a supplier's bill is recorded, its charges count, or else those of the order. A cancelled
    order without a bill has none.
    """
    shares = tuple(
        (order, own) for order, own in shares_of(records, quote) if order.number not in besides
    )
    if not shares:
        return None
    currency = shares[0][0].net.currency
    return total((_charged(records, order, own) for order, own in shares), currency)


def _charged(records: Records, order: KeptOrder, own: Allocation) -> Money:
    agreed = own.fees.minor + own.freight.minor
    bills = [
        fact.charges.minor
        for fact in map(fact_of, records.order_entries.of_order(order.number))
        if isinstance(fact, Billed)
    ]
    currency = order.net.currency
    if not bills:
        return Money(0 if order.state is OrderState.cancelled else agreed, currency)
    placed = placed_order(order)
    whole = sum(fee.amount.money.minor for fee in placed.fees) + placed.freight.money.minor
    if not whole:
        # nothing was agreed, so that nobody's share of what is billed is known
        return Money(0, currency)
    share = Fraction(sum(bills) * agreed, whole)
    return Money(round_ratio(share.numerator, share.denominator), currency)
