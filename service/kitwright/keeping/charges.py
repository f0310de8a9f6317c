"""Charges: what suppliers charged in freight and fees for a quote's parts."""

from __future__ import annotations

from collections.abc import Collection
from fractions import Fraction

from kitwright.keeping.order_entry import fact_of, standing_bills
from kitwright.keeping.order_progress import placed_order, progress_of, shares_of
from kitwright.keeping.record import Allocation, KeptOrder, OrderState
from kitwright.keeping.store import Records
from kitwright.money import Money, round_ratio, total


def charged_for(
    records: Records, quote: int, tolerance: Fraction, besides: Collection[int] = ()
) -> Money | None:
    """Return a quote's share of the freight and fees of the orders that were placed for it, except
    those `besides`, without tax; None if there are none.

    Where a supplier's bills are recorded, their charges count, or else those of the order: those of
    the order too if the bills are above it by more than `tolerance` per cent, because the rest is
    disputed. An order of which the quote keeps nothing, and one that was cancelled and has no bill,
    have none.
    """
    shares = tuple(
        (order, own) for order, own in shares_of(records, quote) if order.number not in besides
    )
    if not shares:
        return None
    currency = shares[0][0].net.currency
    return total((_charged(records, order, own, tolerance) for order, own in shares), currency)


def _charged(records: Records, order: KeptOrder, own: Allocation, tolerance: Fraction) -> Money:
    agreed, currency = own.fees.minor + own.freight.minor, order.net.currency
    placed = placed_order(order)
    whole = sum(fee.amount.money.minor for fee in placed.fees) + placed.freight.money.minor
    # if nothing was agreed, nobody's share of what is billed is known
    if not whole or not _keeps(records, order, own.quote):
        return Money(0, currency)
    bills = standing_bills(map(fact_of, records.order_entries.of_order(order.number)))
    if not bills:
        return Money(0 if order.state is OrderState.cancelled else agreed, currency)
    billed = sum(bill.charges.minor for bill in bills)
    if billed * 100 > whole * (100 + tolerance):
        billed = whole
    share = Fraction(billed * agreed, whole)
    return Money(round_ratio(share.numerator, share.denominator), currency)


def _keeps(records: Records, order: KeptOrder, quote: int) -> bool:
    """Return whether a quote has anything of an order that is there or to come."""
    return any(
        holder.quote == quote and holder.kept > 0
        for line in progress_of(records, order).lines
        for holder in line.holders
    )
