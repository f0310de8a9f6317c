"""Line words: what documents print of a line: its heading, quantity, price, makes and reasons."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from decimal import Decimal
from typing import Final

from kitwright.documents.web_page import isolated
from kitwright.language.scribe import Scribe
from kitwright.money import total
from kitwright.quote import Amount, BillLine, Line, Quote, Reason

GOODS: Final = frozenset({"part", "set", "customer_part", "consumable"})
"""Kinds of lines that are goods, with a number and a unit of their own."""

_NUMBERED: Final = frozenset({"part", "set", "customer_part"})
"""Kinds whose code is a part number that a customer may want to look up."""

_GROUPS: Final = (
    GOODS,
    frozenset({"labour"}),
    frozenset({"sublet"}),
    frozenset({"fee", "freight"}),
    frozenset({"core"}),
    frozenset({"discount"}),
)
"""Kinds of lines under one heading, in the order of the headings; other kinds come last."""

_GIVEN: Final = frozenset(
    {"discount-of-line", "discount-of-quote", "percent-of-line", "percent-of-quote"}
)
"""Reasons of discounts; their sentences also name the person in the shop who gave it."""

_FOR_CUSTOMERS: Final = frozenset(
    {
        "added-since",
        "bench-minimum",
        "carried-over",
        "core-deposit",
        "customer-brings",
        "diagnostic-credited",
        "diagnostic-done",
        "set-for-pieces",
        "sublet-of-job",
        "used-up",
    }
)
"""Reasons on the customer's page: none that names the shop's costs, its suppliers or its staff."""


def kind_of(line: Line) -> str:
    """Return the kind of a line; of an added line, the kind that it is taxed as."""
    return line.tax_kind if line.kind == "free" else line.kind


def grouped(quote: Quote, scribe: Scribe) -> list[tuple[str, list[Line]]]:
    """Return the lines under their headings, those added after acceptance last. Under a heading,
    lines keep their order.
    """
    say = scribe.say
    headings = (
        say("Parts and materials"),
        say("Labour"),
        say("Work by other workshops"),
        say("Fees and freight"),
        say("Deposits for old parts"),
        say("Discounts"),
        say("Other"),
        say("Added after acceptance"),
    )
    groups: list[list[Line]] = [[] for _ in headings]
    for line in quote.lines:
        groups[-1 if line.is_added else group_of(line)].append(line)
    return [(heading, lines) for heading, lines in zip(headings, groups, strict=True) if lines]


def group_of(line: Line) -> int:
    """Return the position of a line's heading among all headings."""
    kind = kind_of(line)
    return next((at for at, kinds in enumerate(_GROUPS) if kind in kinds), len(_GROUPS))


def sum_of(amounts: Iterable[Amount], scribe: Scribe) -> str:
    """Return the sum of at least one amount."""
    addends = [amount.money for amount in amounts]
    return scribe.amount(total(addends, addends[0].currency))


def quantity_of(line: Line, scribe: Scribe) -> str:
    """Return the quantity of a line with its unit, such as "2 sets"; work has no pieces."""
    if line.measure == "piece" and line.kind not in GOODS:
        return scribe.number(line.quantity)
    return scribe.quantity(line.quantity, line.measure)


def price_of(line: Line, scribe: Scribe) -> str:
    """Return the unit price of a line with the quantity that it is for; "1 piece" is left out."""
    return price_told(line, line.amount.currency, scribe)


def price_told(line: Line | BillLine, currency: str, scribe: Scribe) -> str:
    """Return the unit price of a line of a quote or an invoice, as `price_of` does."""
    price = scribe.money(line.unit_price, currency)
    base = line.base_quantity
    if line.unit == "MIN" and base == "60":
        return scribe.say("{price} an hour", price=price)
    if base == "1" and line.measure == "piece":
        return price
    pack = scribe.unit(line.measure, base) if base == "1" else scribe.quantity(base, line.measure)
    return scribe.say("{price} per {pack}", price=price, pack=pack)


def purchase_of(line: Line, scribe: Scribe) -> str:
    """Return a part's number and make, and the quantity and unit price of a line unless both are 1.

    Example: "V68-G-103, Tarnbeck, 2 pieces at $14.80".
    """
    parts = [isolated(line.code)] if line.kind in _NUMBERED and not line.is_added else []
    if makes := makes_of(line, scribe):
        parts.append(isolated(makes))
    if not Decimal(line.quantity) == Decimal(line.base_quantity) == 1:
        parts.append(quantity_at_price(line, scribe))
    return ", ".join(parts)


def quantity_at_price(line: Line, scribe: Scribe) -> str:
    """Return the quantity and unit price of a line."""
    quantity, price = quantity_of(line, scribe), price_of(line, scribe)
    return scribe.say("{quantity} at {price}", quantity=quantity, price=price)


def makes_of(line: Line, scribe: Scribe) -> str:
    """Return the make of a line's parts; if there are several, each with its quantity."""
    if len(line.makes) == 1:
        return line.makes[0].make or ""
    unknown = scribe.say("of unknown make")
    return ", ".join(
        f"{scribe.number(part.quantity)} {part.make or unknown}" for part in line.makes
    )


def notes_of(line: Line, scribe: Scribe) -> list[str]:
    """Return the reasons of a line that its customer's page shows, each once."""
    return list(dict.fromkeys(filter(None, _notes(line, scribe))))


def _notes(line: Line, scribe: Scribe) -> Iterator[str]:
    yield reason_of(line, scribe)
    yield from (customer_text(why, scribe) for why in line.why if why.code in _FOR_CUSTOMERS)


def reason_of(line: Line, scribe: Scribe) -> str:
    """Return the reason of a discount in the shop's own words; empty for other lines."""
    for why in line.why:
        if why.code in _GIVEN:
            percent, reason = why.facts.get("percent"), str(why.facts.get("reason"))
            if percent is None:
                return reason
            rate = scribe.percent(str(percent))
            return scribe.say("{percent} discount: {reason}", percent=rate, reason=reason)
    return ""


def customer_text(why: Reason, scribe: Scribe) -> str:
    """Return the text of a reason for the customer; one about the customer addresses them."""
    if why.code == "customer-brings":
        return scribe.say("You supply this part. We give no warranty on the part itself.")
    return why.text
