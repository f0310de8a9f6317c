"""Price sheet: the lines of a price for printed documents."""

from __future__ import annotations

from typing import Final

from msgspec import structs

from kitwright.documents.frame import Sheet, reasons
from kitwright.documents.line_words import (
    GOODS,
    grouped,
    makes_of,
    price_of,
    quantity_of,
    reason_of,
    told_to_customer,
)
from kitwright.language.scribe import Scribe
from kitwright.quote import Line, Quote


def grouped_lines(quote: Quote, scribe: Scribe) -> list[Sheet]:
    """Return the lines under a heading for each kind."""
    return [
        {"name": name, "lines": [_line(line, scribe) for line in lines]}
        for name, lines in grouped(quote, scribe)
    ]


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
"""Reasons that name where the shop buys, or that were written for the shop only."""


def _line(line: Line, scribe: Scribe) -> Sheet:
    is_goods = line.kind in GOODS
    has_unit = is_goods or line.measure != "piece"
    why = [
        structs.replace(one, text=told_to_customer(one, scribe))
        for one in line.why
        if one.code not in _FOR_THE_SHOP
    ]
    is_discount = line.kind == "discount"
    quantity = quantity_of(line, scribe) if has_unit else scribe.number(line.quantity)
    return {
        "name": line.description,
        "code": line.code if is_goods and not line.is_added else "",
        "make": makes_of(line, scribe),
        "why": reason_of(line, scribe) or " ".join(reasons(why)),
        "quantity": "" if is_discount else quantity,
        "each": "" if is_discount else price_of(line, scribe),
        "amount": scribe.money(line.amount.amount, line.amount.currency),
    }
