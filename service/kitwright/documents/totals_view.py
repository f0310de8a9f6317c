"""Totals: the rows below the lines of a stored revision, the same in every document."""

from __future__ import annotations

from typing import NamedTuple

from kitwright.documents.balance_view import balance_of, bears_tax, left_row, total_of
from kitwright.language.scribe import Scribe
from kitwright.money import Money
from kitwright.quote import Amount, Quote, Tax


class Row(NamedTuple):
    """A row below a table: its label, its amount and its weight.

    The weight is `plain`, `within` (part of the row above), or `total` or `most` for a result.
    """

    label: str
    amount: str
    weight: str


def row(label: str, amount: Amount | Money, scribe: Scribe, weight: str = "plain") -> Row:
    """Return a row with an amount in words."""
    return Row(label, scribe.amount(amount), weight)


def totals_of(quote: Quote, scribe: Scribe, *, is_owed: bool = True) -> tuple[Row, ...]:
    """Return the rows from the sum of the lines to the total due. If prices include tax, the total
    comes before the taxes that it includes.
    """
    totals, say = quote.totals, scribe.say
    discount = totals.discount.money
    rows = []
    if discount.minor or quote.taken_off:
        rows.append(row(say("Subtotal"), totals.lines, scribe))
    if discount.minor:
        rows.append(row(say("Discount"), discount, scribe))
    rows += [_spared(tax, scribe) for tax in quote.taken_off]
    found = balance_of(totals)
    deposit = totals.deposit.money if found is None else found.advance
    asked = [row(say("Deposit, due before parts are ordered"), deposit, scribe, "within")]
    if found is None:
        rows.append(_untaxed_total(quote, scribe))
        return (*rows, *asked) if deposit.minor and is_owed else tuple(rows)
    taxes = [_tax(tax, quote, scribe) for tax in quote.taxes]
    net = say("Total before tax"), totals.net or totals.lines
    includes = quote.shop.prices_include_tax
    if taxes and not includes:
        rows += [row(*net, scribe), *taxes]
    rounding = totals.cash_rounding.money
    # if nothing is paid or rounded, the total and the total due are one row
    is_last = not (is_owed and (found.paid.minor or rounding.minor))
    label = _due(quote, scribe) if is_last and is_owed else _total(quote, scribe)
    rows.append(row(label, found.comes_to, scribe, "total" if is_last else "plain"))
    if taxes and includes:
        rows += [*taxes, row(*net, scribe, "within")]
    if found.paid.minor:
        rows.append(row(say("Already paid"), -found.paid, scribe))
    if not is_owed:
        return tuple(rows)
    if rounding.minor:
        rows.append(row(say("Cash rounding"), rounding, scribe))
    if not is_last:
        rows.append(row(*left_row(found, scribe), scribe, "total"))
    return (*rows, *asked) if deposit.minor else tuple(rows)


def summary_of(quote: Quote, scribe: Scribe, *, is_owed: bool = True) -> tuple[Row, ...]:
    """Return the rows at the top of a page: the total, and if some of it is paid, how much, and
    what is left. There are none if nothing is owed any longer.
    """
    found = balance_of(quote.totals)
    if not is_owed:
        return ()
    if found is None:
        return (_untaxed_total(quote, scribe),)
    label, left = left_row(found, scribe)
    if not found.paid.minor:
        return (row(_due(quote, scribe), left, scribe),)
    return (
        row(_total(quote, scribe), found.comes_to, scribe),
        row(scribe.say("Already paid"), found.paid, scribe),
        row(label, left, scribe),
    )


def _untaxed_total(quote: Quote, scribe: Scribe) -> Row:
    """Return the total of a revision whose tax is not known."""
    if quote.shop.prices_include_tax:
        label = scribe.say("Total (the tax is not known yet)")
    else:
        label = scribe.say("Total before tax (the tax is not known yet)")
    return row(label, total_of(quote.totals), scribe, "total")


def _total(quote: Quote, scribe: Scribe) -> str:
    return scribe.say("Total including tax") if bears_tax(quote) else scribe.say("Total")


def _due(quote: Quote, scribe: Scribe) -> str:
    if bears_tax(quote):
        return scribe.say("Total due, including tax")
    return scribe.say("Total due")


def _tax(tax: Tax, quote: Quote, scribe: Scribe) -> Row:
    facts = _facts(tax, scribe)
    if quote.shop.prices_include_tax:
        label = scribe.say("Includes {tax}, {rate} of {base}", **facts)
        return row(label, tax.amount, scribe, "within")
    return row(scribe.say("{tax}, {rate} of {base}", **facts), tax.amount, scribe)


def _spared(tax: Tax, scribe: Scribe) -> Row:
    label = scribe.say("{tax}, {rate} of {base}: not charged", **_facts(tax, scribe))
    return row(label, -tax.amount, scribe)


def _facts(tax: Tax, scribe: Scribe) -> dict[str, str]:
    base = scribe.amount(tax.base)
    return {"tax": tax.name, "rate": scribe.percent(tax.rate), "base": base}
