"""Order check: where a delivery or a bill differs from what was ordered and arrived."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from enum import StrEnum
from fractions import Fraction

from msgspec import Struct

from kitwright.keeping.order_entry import Billed, Received, ReturnReason
from kitwright.keeping.order_progress import LineState, Progress
from kitwright.money import Money, line_amount, total
from kitwright.quote import Count


class DifferenceKind(StrEnum):
    """What differs: fewer or more packs than were due, damaged or wrong ones, a later day, a higher
    price; or on a bill more packs than arrived, higher charges, or a sum that is not that of its
    lines.
    """

    short = "short"
    over = "over"
    damaged = "damaged"
    wrong = "wrong"
    late = "late"
    price = "price"
    quantity = "quantity"
    charges = "charges"
    sum_ = "sum"


class OrderDifference(Struct, frozen=True, kw_only=True):
    """One difference, of a line or of the whole: what was expected, and what was found."""

    kind: DifferenceKind
    line: Count | None
    expected: str
    found: str


def check_delivery(
    before: Progress, after: Progress, fact: Received, today: date, tolerance: Fraction
) -> Iterator[OrderDifference]:
    """Yield the differences of a delivery.

    Args:
        tolerance: by how much of it a price may be higher than agreed, in per cent.
    """
    for one in fact.lines:
        then, now = before.lines[one.line - 1], after.lines[one.line - 1]
        arrived = now.received - then.received
        if now.due and not now.is_back_order:
            yield _differs(DifferenceKind.short, one.line, then.due, arrived)
        for kind, packs in (
            (DifferenceKind.over, now.over - then.over),
            (DifferenceKind.damaged, one.damaged),
            (DifferenceKind.wrong, one.wrong),
        ):
            if packs:
                yield _differs(kind, one.line, 0, packs)
        if then.promised is not None and today > then.promised:
            yield _differs(
                DifferenceKind.late, one.line, then.promised.isoformat(), today.isoformat()
            )
        if one.unit_cost is not None:
            yield from _price(now, one.unit_cost, tolerance)


def check_bill(
    before: Progress, after: Progress, fact: Billed, tolerance: Fraction
) -> Iterator[OrderDifference]:
    """Yield the differences of a bill from what was ordered and what arrived and was kept."""
    currency = fact.net.currency
    for one in fact.lines:
        now = after.lines[one.line - 1]
        kept = now.received + now.kept - now.back.get(ReturnReason.not_needed, 0)
        if now.billed > kept:
            yield _differs(DifferenceKind.quantity, one.line, kept, now.billed)
        yield from _price(now, one.unit_cost, tolerance)
    order = after.order
    charges = total([*(fee.amount.money for fee in order.fees), order.freight.money], currency)
    is_first = not any(line.billed for line in before.lines)
    agreed = charges if is_first else Money(0, currency)
    if fact.charges.minor * 100 > agreed.minor * (100 + tolerance):
        yield _differs(DifferenceKind.charges, None, agreed.amount_text, fact.charges.amount_text)
    lines = (
        line_amount(one.packs, Fraction(one.unit_cost), currency=currency) for one in fact.lines
    )
    net = total([*lines, fact.charges], currency)
    if net != fact.net:
        yield _differs(DifferenceKind.sum_, None, net.amount_text, fact.net.amount_text)


def _price(line: LineState, found: str, tolerance: Fraction) -> Iterator[OrderDifference]:
    agreed = line.unit_cost
    if Fraction(found) > Fraction(agreed) * (1 + tolerance / 100):
        yield _differs(DifferenceKind.price, line.line, agreed, found)


def _differs(
    kind: DifferenceKind, line: int | None, expected: int | str, found: int | str
) -> OrderDifference:
    return OrderDifference(kind=kind, line=line, expected=str(expected), found=str(found))
