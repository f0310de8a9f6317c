"""Bill sums: the sums and taxes of a document's lines, and whether EN 16931 knows them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import Final, TypedDict

from msgspec import structs

from kitwright.money import Money, total
from kitwright.quote import Amount, Bill, BillLine, LineTax, Tax, amount_of
from kitwright.tax import Category

PROFILE: Final = "urn:cen.eu:en16931:2017"
"""The identifier of the rules of EN 16931."""
FAR: Final = "a sum of rounded taxes is 1.00 or more from its base times the rate"
CHARGED: Final = (Category.standard, Category.zero)


def unmet_of(lines: Sequence[BillLine], *, is_vat: bool) -> Iterator[str]:
    """Yield why EN 16931 does not know the taxes of an invoice."""
    if not is_vat:
        yield "the tax area's tax is not a value added tax"
        return
    # where other components do not apply, they say so
    charged = [
        [tax for tax in line.taxes if tax.category is not Category.outside] for line in lines
    ]
    if any(len(taxes) > 1 for taxes in charged):
        yield "a line has more than one tax"
    elif not all(charged):
        yield "a line is outside the scope of the tax"
    elif not is_near(lines):
        yield FAR


def is_near(lines: Sequence[BillLine]) -> bool:
    """Return whether the tax at each rate is as near to its base times the rate as EN 16931 has it:
    taxes that are rounded line by line may add up to more, or less.
    """
    sums: dict[str, list[Fraction]] = {}
    for line in lines:
        for tax in line.taxes:
            if tax.category in CHARGED:
                both = sums.setdefault(tax.rate, [Fraction(0), Fraction(0)])
                both[0] += Fraction(tax.base.amount)
                both[1] += Fraction(tax.amount.amount)
    return all(
        abs(round(base * Fraction(rate) / 100, 2) - amount) < 1
        for rate, (base, amount) in sums.items()
    )


class NoSums(TypedDict):
    """The sums of a document that `summed` makes."""

    lines_net: Amount
    allowances: Amount
    charges: Amount
    net: Amount
    tax: Amount
    gross: Amount
    payable: Amount


def no_sums(currency: str) -> NoSums:
    """Return the sums of a document before they are made: nought."""
    nothing = amount_of(Money(0, currency))
    return {
        "lines_net": nothing,
        "allowances": nothing,
        "charges": nothing,
        "net": nothing,
        "tax": nothing,
        "gross": nothing,
        "payable": nothing,
    }


def summed(bill: Bill) -> Bill:
    """Return an invoice or a credit note with the sums of its lines."""

    def added(moneys: Iterator[Money]) -> Money:
        return total(moneys, bill.currency)

    nets = {
        role: added(line.net.money for line in bill.lines if line.role == role)
        for role in ("item", "charge", "allowance")
    }
    gross = added(line.gross.money for line in bill.lines)
    return structs.replace(
        bill,
        lines_net=amount_of(nets["item"]),
        allowances=amount_of(-nets["allowance"]),
        charges=amount_of(nets["charge"]),
        net=amount_of(added(line.net.money for line in bill.lines)),
        tax=amount_of(added(line.tax.money for line in bill.lines)),
        gross=amount_of(gross),
        payable=amount_of(gross - bill.prepaid.money),
    )


def taxes_of(lines: Sequence[BillLine], taxes: Sequence[Tax]) -> tuple[Tax, ...]:
    """Return the taxes of some lines of a document, from those of the whole."""
    found: dict[tuple[str, str], list[LineTax]] = {}
    for line in lines:
        for tax in line.taxes:
            if tax.category in CHARGED:
                found.setdefault((tax.component, tax.rate), []).append(tax)

    def added(moneys: Iterator[Money]) -> Amount:
        return amount_of(total(moneys, lines[0].net.currency))

    return tuple(
        structs.replace(
            tax,
            base=added(one.base.money for one in found[tax.component, tax.rate]),
            amount=added(one.amount.money for one in found[tax.component, tax.rate]),
        )
        for tax in taxes
        if (tax.component, tax.rate) in found
    )


def with_items(lines: tuple[BillLine, ...]) -> tuple[BillLine, ...]:
    """Return lines of which at least one is an item, as a document needs it. Without any, all are:
    what is taken off is then a negative quantity, because no price is negative.
    """
    if any(line.role == "item" for line in lines):
        return lines
    return tuple(map(_as_item, lines))


def _as_item(line: BillLine) -> BillLine:
    net = line.net.money
    if net.minor < 0:
        return structs.replace(line, role="item", quantity="-1", unit_price=(-net).amount_text)
    return structs.replace(line, role="item")
