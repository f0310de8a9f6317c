"""Totals view: the totals of a stored revision, row by row; every document of a quote shows
these.
"""

from __future__ import annotations

from msgspec import Struct

from kitwright.documents.balance_view import balance_of, bears_tax, left_row, sum_told, total_of
from kitwright.language.scribe import Scribe
from kitwright.money import Money
from kitwright.quote import Quote, Tax


class ViewTotal(Struct, frozen=True, kw_only=True):
    """A row under the lines. `weight` is `total`, `plain` or `within` (part of the row above)."""

    label: str
    amount: str
    weight: str = "plain"


def totals_of(quote: Quote, scribe: Scribe, *, is_owed: bool = True) -> tuple[ViewTotal, ...]:
    """Return the rows from the sum of the lines to the amount due. If prices include tax, the total
    comes before the taxes that it contains.
    """
    totals, say = quote.totals, scribe.say
    discount = totals.discount.money
    rows = []
    if discount.minor or quote.taken_off:
        rows.append(_row(say("Subtotal"), totals.lines.money, scribe))
    if discount.minor:
        rows.append(_row(say("Discount"), discount, scribe))
    rows += [_spared(tax, scribe) for tax in quote.taken_off]
    found = balance_of(totals)
    deposit = totals.deposit.money if found is None else found.advance
    asked = [_row(say("Deposit, due before parts are ordered"), deposit, scribe, "within")]
    if found is None:
        rows.append(_untaxed_total(quote, scribe))
        return (*rows, *asked) if deposit.minor and is_owed else tuple(rows)
    taxes = [_tax(tax, quote, scribe) for tax in quote.taxes]
    net = say("Total before tax"), (totals.net or totals.lines).money
    includes = quote.shop.prices_include_tax
    if taxes and not includes:
        rows += [_row(*net, scribe), *taxes]
    rounding = totals.cash_rounding.money
    # nothing paid and nothing rounded: one row gives the total, which is also the amount left
    is_last = not (is_owed and (found.paid.minor or rounding.minor))
    rows.append(
        ViewTotal(
            label=_due(quote, scribe) if is_last and is_owed else _total(quote, scribe),
            amount=sum_told(found.comes_to, scribe),
            weight="total" if is_last else "plain",
        )
    )
    if taxes and includes:
        rows += [*taxes, _row(*net, scribe, "within")]
    if found.paid.minor:
        rows.append(_row(say("Already paid"), -found.paid, scribe))
    if not is_owed:
        return tuple(rows)
    if rounding.minor:
        rows.append(_row(say("Cash rounding"), rounding, scribe))
    if not is_last:
        label, left = left_row(found, scribe)
        rows.append(ViewTotal(label=label, amount=left, weight="total"))
    return (*rows, *asked) if deposit.minor else tuple(rows)


def summary_of(quote: Quote, scribe: Scribe, *, is_owed: bool = True) -> tuple[ViewTotal, ...]:
    """Return the summary at the top of a page: the total and, if part of it is paid, the amounts
    paid and left. It is empty if nothing is owed any longer.
    """
    found = balance_of(quote.totals)
    if not is_owed:
        return ()
    if found is None:
        return (_untaxed_total(quote, scribe),)
    label, left = left_row(found, scribe)
    if not found.paid.minor:
        return (ViewTotal(label=_due(quote, scribe), amount=left),)
    return (
        _row(_total(quote, scribe), found.comes_to, scribe),
        _row(scribe.say("Already paid"), found.paid, scribe),
        ViewTotal(label=label, amount=left),
    )


def _untaxed_total(quote: Quote, scribe: Scribe) -> ViewTotal:
    """Return the total of a revision whose tax is not known."""
    if quote.shop.prices_include_tax:
        label = scribe.say("Total (the tax is not known yet)")
    else:
        label = scribe.say("Total before tax (the tax is not known yet)")
    return _row(label, total_of(quote.totals), scribe, "total")


def _total(quote: Quote, scribe: Scribe) -> str:
    return scribe.say("Total including tax") if bears_tax(quote) else scribe.say("Total")


def _due(quote: Quote, scribe: Scribe) -> str:
    if bears_tax(quote):
        return scribe.say("Total due, including tax")
    return scribe.say("Total due")


def _tax(tax: Tax, quote: Quote, scribe: Scribe) -> ViewTotal:
    facts = _facts(tax, scribe)
    if quote.shop.prices_include_tax:
        label = scribe.say("Includes {tax}, {rate} of {base}", **facts)
        return _row(label, tax.amount.money, scribe, "within")
    return _row(scribe.say("{tax}, {rate} of {base}", **facts), tax.amount.money, scribe)


def _spared(tax: Tax, scribe: Scribe) -> ViewTotal:
    label = scribe.say("{tax}, {rate} of {base}: not charged", **_facts(tax, scribe))
    return _row(label, -tax.amount.money, scribe)


def _facts(tax: Tax, scribe: Scribe) -> dict[str, str]:
    base = sum_told(tax.base.money, scribe)
    return {"tax": tax.name, "rate": scribe.percent(tax.rate), "base": base}


def _row(label: str, amount: Money, scribe: Scribe, weight: str = "plain") -> ViewTotal:
    return ViewTotal(label=label, amount=sum_told(amount, scribe), weight=weight)
