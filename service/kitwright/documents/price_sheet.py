"""The lines and totals of a price, as printed documents show them."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Final

from kitwright.documents.balance_view import balance_of, left_row
from kitwright.documents.frame import Sheet, reasons
from kitwright.documents.line_words import kind_of, makes_of, reason_of
from kitwright.language.scribe import Scribe
from kitwright.quote import Amount, Line, Quote, amount_of

_COUNTED: Final = frozenset({"part", "set", "consumable", "customer_part"})
"""Kinds of lines that are goods, with a number and a unit of their own."""


def grouped_lines(paper: Quote, scribe: Scribe) -> list[Sheet]:
    """Return the lines under a heading for each kind, in the order in which the kinds begin."""
    groups: dict[str, list[Sheet]] = {}
    for line in paper.lines:
        groups.setdefault(_group(line, scribe), []).append(_line(line, scribe))
    return [{"name": name, "lines": lines} for name, lines in groups.items()]


def _group(line: Line, scribe: Scribe) -> str:
    """Return the heading over lines like one."""
    say, kind = scribe.say, kind_of(line)
    if line.is_added:
        return say("Added since it was agreed to")
    if kind in _COUNTED:
        return say("Parts and materials")
    return {
        "core": say("Deposits on old parts"),
        "labour": say("Labour"),
        "sublet": say("Work sent out"),
        "fee": say("Fees"),
        "freight": say("Fees"),
        "discount": say("Discounts"),
    }.get(kind, say("Further"))


_FOR_THE_SHOP: Final = frozenset(
    {
        "discount-of-line",
        "discount-of-quote",
        "floor-changed",
        "free-line",
        "freight-of-orders",
        "minutes-overridden",
        "percent-of-line",
        "percent-of-quote",
        "price-overridden",
    }
)
"""Reasons that name where the shop buys, or that somebody of the shop wrote for the shop."""


def _line(line: Line, scribe: Scribe) -> Sheet:
    is_goods = line.kind in _COUNTED
    quantity = scribe.number(line.quantity)
    if is_goods or line.measure != "piece":
        quantity += f" {scribe.unit(line.measure, line.quantity)}"
    return {
        "name": line.description,
        "code": line.code if is_goods and not line.is_added else "",
        "make": makes_of(line, scribe),
        "why": reason_of(line, scribe)
        or " ".join(reasons(one for one in line.why if one.code not in _FOR_THE_SHOP)),
        "quantity": "" if line.kind == "discount" else quantity,
        "each": "" if line.kind == "discount" else _unit_price(line, scribe),
        "amount": scribe.money(line.amount.amount, line.amount.currency),
    }


def _unit_price(line: Line, scribe: Scribe) -> str:
    price = scribe.money(line.unit_price, line.amount.currency)
    if line.unit == "MIN" and line.base_quantity == "60":
        return scribe.say("{price} an hour", price=price)
    if line.measure in ("piece", "set") and line.base_quantity == "1":
        return price
    unit = scribe.unit(line.measure, line.base_quantity)
    many = "" if line.base_quantity == "1" else f"{scribe.number(line.base_quantity)} "
    return scribe.say("{price} per {measure}", price=price, measure=f"{many}{unit}")


def total_rows(paper: Quote, scribe: Scribe, *, is_owed: bool = True) -> Iterator[list[str | bool]]:
    """Yield name, amount and whether it is what is owed, for each row under the lines."""
    say, totals = scribe.say, paper.totals

    def row(name: str, amount: Amount) -> list[str | bool]:
        return [name, scribe.money(amount.amount, amount.currency), False]

    if _counts(totals.discount) or totals.net is None or paper.taken_off:
        yield row(say("Lines together"), totals.lines)
    if _counts(totals.discount):
        yield row(say("Discount"), totals.discount)
    for tax in paper.taken_off:
        base = scribe.money(tax.base.amount, tax.base.currency)
        rate = scribe.percent(tax.rate)
        told = say("{tax}, {rate} of {base}: not charged", tax=tax.name, rate=rate, base=base)
        yield row(told, -tax.amount)
    if totals.net is not None:
        yield row(say("Without tax"), totals.net)
    for tax in paper.taxes:
        base = scribe.money(tax.base.amount, tax.base.currency)
        of = say("{tax}, {rate} of {base}", tax=tax.name, rate=scribe.percent(tax.rate), base=base)
        yield row(of, tax.amount)
    found = balance_of(totals)
    if found is None:
        if _counts(totals.deposit):
            yield row(say("Of it in advance, for parts ordered"), totals.deposit)
        return
    if _counts(totals.prepaid) or _counts(totals.cash_rounding) or not is_owed:
        yield row(say("With tax"), amount_of(found.comes_to))
    if _counts(totals.prepaid):
        yield row(say("Paid already"), -totals.prepaid)
    if not is_owed:
        return
    if _counts(totals.cash_rounding):
        yield row(say("Rounded to coins"), totals.cash_rounding)
    yield [*left_row(found, scribe), True]
    if found.advance.minor:
        yield row(say("Of it in advance, for parts ordered"), amount_of(found.advance))


def _counts(amount: Amount) -> bool:
    return Decimal(amount.amount) != 0
