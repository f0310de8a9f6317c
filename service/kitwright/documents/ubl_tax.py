"""UBL taxes: the taxes of a quote as a Quotation has them, by the categories of UNCL 5305.

Each line says how each tax treats it (`LineTax`). `S`: charged at a rate above zero. `Z`: charged
at a rate of zero. `E`: exempt by the customer's certificate, which is named as the reason. `O`:
outside scope, because the area does not charge the tax on this kind of line at all. That is not
`E`, because nothing exempts the line, nor `Z`, because no rate applies, not even zero.

EN 16931 knows one tax, VAT, and does not allow `O` together with other categories. Sales taxes need
both.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from msgspec import structs

from kitwright.money import Money, total
from kitwright.quote import Amount, Bill, BillLine, Line, LineTax, Quote, amount_of, known
from kitwright.tax import Category

_NO_TAX: Final = "OTH"
"""UNCL 5153, "other taxes": if no tax is charged, there is none to name."""
_ORDER: Final = tuple(Category)


def taxes_of(line: Line | BillLine) -> tuple[LineTax, ...]:
    """Return how each tax treats a line with known tax; if there is none, that none is charged."""
    if line.taxes:
        return line.taxes
    net = known(line.net)
    untaxed = LineTax(
        component=_NO_TAX,
        name=_NO_TAX,
        category=Category.outside,
        rate="0",
        base=amount_of(net),
        amount=amount_of(Money(0, net.currency)),
    )
    return (untaxed,)


def tax_totals(quote: Quote | Bill) -> list[tuple[Amount, list[LineTax]]]:
    """Return the total of each tax, with its base and amount for each category and rate.

    Taxes that are charged come first, then those that an exemption takes off entirely.
    """
    found: dict[tuple[str, str], dict[tuple[Category, str], list[LineTax]]] = {}
    for line in quote.lines:
        for tax in taxes_of(line):
            rate = tax.rate if tax.category in (Category.standard, Category.zero) else ""
            categories = found.setdefault((tax.component, tax.name), {})
            categories.setdefault((tax.category, rate), []).append(tax)
    charged = [tax.component for tax in quote.taxes]
    totals = []
    for scheme in sorted(found, key=lambda scheme: scheme[0] not in charged):
        subtotals = [_added_up(taxes) for taxes in found[scheme].values()]
        subtotals.sort(key=lambda tax: _ORDER.index(tax.category))
        totals.append((_added_up(subtotals).amount, subtotals))
    return totals


def _added_up(taxes: Sequence[LineTax]) -> LineTax:
    """Return the treatments of several charges as one, with the sums of bases and of amounts."""
    currency = taxes[0].amount.currency
    return structs.replace(
        taxes[0],
        base=amount_of(total((tax.base.money for tax in taxes), currency)),
        amount=amount_of(total((tax.amount.money for tax in taxes), currency)),
    )
