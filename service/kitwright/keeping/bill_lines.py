"""Bill lines: what is left of an invoice's line when parts of it were given back, and such a part.

Parts are cut so that they add up: of net and of each tax, a part is what all parts so far come to,
rounded once, less what was given back before.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Final

from msgspec import Struct, structs

from kitwright.money import Money, round_ratio
from kitwright.quote import BillLine, amount_of
from kitwright.units import decimal_text

LUMP_SUM: Final = "LS"
"""The unit of a part that is an amount, by UN/ECE Recommendation 20."""


class Portion(Struct, frozen=True, kw_only=True):
    """The part of an invoice's line to be given back: a `quantity` of it, or an amount of its
    `net`, without a sign.
    """

    line: int
    quantity: Decimal | None = None
    net: Money | None = None


class TooLarge(ValueError):
    """A part of a line that is more than what is left of it, or none of it at all."""


def rest_of(line: BillLine, given: Sequence[BillLine]) -> BillLine | None:
    """Return what is left of a line; None if nothing is.

    Args:
        given: the parts of it that credit notes gave back.
    """
    if not given:
        return line
    if line.net.money == _net(line, given):
        return None
    left = Decimal(line.quantity) - _counted(line, given)
    return _cut(line, given, line.net.money.minor, left if left > 0 else None)


def part_of(line: BillLine, given: Sequence[BillLine], portion: Portion) -> BillLine:
    """Return a part of a line.

    Raises: TooLarge.
    """
    whole, before = line.net.money, _net(line, given)
    left = whole.minor - before.minor
    if portion.quantity is None:
        assert portion.net is not None
        if not 0 < portion.net.minor <= abs(left):
            raise TooLarge(f"{amount_of(Money(abs(left), whole.currency)).amount} of it is left")
        part = portion.net.minor if left > 0 else -portion.net.minor
        return _cut(line, given, before.minor + part, None)
    counted, of = _counted(line, given), Decimal(line.quantity)
    if line.role != "item":
        raise TooLarge("it has no quantity: say how much of its net is given back")
    if not 0 < portion.quantity <= of - counted:
        raise TooLarge(f"{decimal_text(of - counted)} of it is left")
    after = _scaled(whole.minor, Fraction(counted + portion.quantity) / Fraction(of))
    part = after - _scaled(whole.minor, Fraction(counted) / Fraction(of))
    # amounts given back besides may have left less
    part = min(part, left) if whole.minor > 0 else max(part, left)
    return _cut(line, given, before.minor + part, portion.quantity)


def _net(line: BillLine, given: Sequence[BillLine]) -> Money:
    return Money(sum(one.net.money.minor for one in given), line.net.currency)


def _counted(line: BillLine, given: Sequence[BillLine]) -> Decimal:
    """Return the quantity that was given back, without parts that were amounts."""
    if line.role != "item":
        return Decimal(0)
    return sum((Decimal(one.quantity) for one in given if one.unit == line.unit), Decimal(0))


def _scaled(minor: int, by: Fraction) -> int:
    exact = minor * by
    return round_ratio(exact.numerator, exact.denominator)


def _cut(
    line: BillLine, given: Sequence[BillLine], upto: int, quantity: Decimal | None
) -> BillLine:
    """Return the part of a line from what was given back to so much of its net in minor units."""
    whole, currency = line.net.money.minor, line.net.currency
    by = Fraction(upto, whole) if whole else Fraction(1)

    def piece(all_of_it: int, before: int) -> Money:
        return Money(_scaled(all_of_it, by) - before, currency)

    net = piece(whole, _net(line, given).minor)
    tax = piece(line.tax.money.minor, sum(one.tax.money.minor for one in given))
    taxes = []
    for at, each in enumerate(line.taxes):
        base = piece(each.base.money.minor, sum(g.taxes[at].base.money.minor for g in given))
        amount = piece(each.amount.money.minor, sum(g.taxes[at].amount.money.minor for g in given))
        taxes.append(structs.replace(each, base=amount_of(base), amount=amount_of(amount)))
    told = structs.replace(
        line,
        net=amount_of(net),
        tax=amount_of(tax),
        gross=amount_of(net + tax),
        taxes=tuple(taxes),
        unit_price=net.amount_text,
    )
    if quantity is not None and line.role == "item":
        text = decimal_text(quantity)
        return structs.replace(told, quantity=text, base_quantity=text)
    if line.role == "item":
        told = structs.replace(told, unit=LUMP_SUM, measure="lump sum")
        if net.minor < 0:
            # no price is negative
            price = (-net).amount_text
            return structs.replace(told, quantity="-1", base_quantity="1", unit_price=price)
    return structs.replace(told, quantity="1", base_quantity="1")
