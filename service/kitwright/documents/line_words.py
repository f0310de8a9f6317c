"""Words for a line in documents: heading, quantity, price, makes of its parts, and the reason for a
discount.
"""

from __future__ import annotations

from typing import Final

from kitwright.language.scribe import Scribe
from kitwright.quote import Line, Quote, Reason

GOODS: Final = frozenset({"part", "set", "customer_part", "consumable"})
"""Kinds of lines for goods, with a number and a unit of their own."""
_GROUPS: Final = (
    GOODS,
    frozenset({"labour"}),
    frozenset({"sublet"}),
    frozenset({"fee", "freight"}),
    frozenset({"core"}),
    frozenset({"discount"}),
)
"""Kinds of lines by heading, in the order of the headings; other kinds follow."""

_GIVEN = frozenset({"discount-of-line", "discount-of-quote", "percent-of-line", "percent-of-quote"})
"""Reasons of discounts whose sentences also name the person of the shop who gave it."""


def kind_of(line: Line) -> str:
    """Return the kind of a line; of an added line, the kind that it is taxed as."""
    return line.tax_kind if line.kind == "free" else line.kind


def grouped(quote: Quote, scribe: Scribe) -> list[tuple[str, list[Line]]]:
    """Return the lines under their headings, in their order; lines added since the acceptance come
    last.
    """
    say = scribe.say
    headings = (
        say("Parts and materials"),
        say("Labour"),
        say("Sublet work"),
        say("Fees and freight"),
        say("Core deposits"),
        say("Discounts"),
        say("Other"),
        say("Added after acceptance"),
    )
    groups: list[list[Line]] = [[] for _ in headings]
    for line in quote.lines:
        groups[-1 if line.is_added else place_of(line)].append(line)
    return [(name, lines) for name, lines in zip(headings, groups, strict=True) if lines]


def place_of(line: Line) -> int:
    """Return the position of a line's heading, from 0."""
    kind = kind_of(line)
    return next((at for at, kinds in enumerate(_GROUPS) if kind in kinds), len(_GROUPS))


def quantity_of(line: Line, scribe: Scribe) -> str:
    """Return the quantity of a line with its unit: 2 sets."""
    return f"{scribe.number(line.quantity)} {scribe.unit(line.measure, line.quantity)}"


def price_of(line: Line, scribe: Scribe) -> str:
    """Return a line's price with the quantity that it is for, which is left out for one piece."""
    price = scribe.money(line.unit_price, line.amount.currency)
    base = line.base_quantity
    if line.unit == "MIN" and base == "60":
        return scribe.say("{price} an hour", price=price)
    if base == "1" and line.measure == "piece":
        return price
    unit = scribe.unit(line.measure, base)
    pack = unit if base == "1" else f"{scribe.number(base)} {unit}"
    return scribe.say("{price} per {pack}", price=price, pack=pack)


def makes_of(line: Line, scribe: Scribe) -> str:
    """Return the makes of a line's parts as far as known: one name, or several with their
    quantities.
    """
    made = line.makes
    if len(made) == 1:
        return made[0].make or ""
    unknown = scribe.say("of unknown make")
    return ", ".join(f"{scribe.number(one.quantity)} {one.make or unknown}" for one in made)


def reason_of(line: Line, scribe: Scribe) -> str:
    """Return why something is taken off, in the shop's own words; empty for other lines."""
    for why in line.why:
        if why.code in _GIVEN:
            percent, reason = why.facts.get("percent"), str(why.facts.get("reason"))
            if percent is None:
                return reason
            rate = scribe.percent(str(percent))
            return scribe.say("{percent} discount: {reason}", percent=rate, reason=reason)
    return ""


def told_to_customer(why: Reason, scribe: Scribe) -> str:
    """Return a reason in the form for the customer, who is addressed directly."""
    if why.code == "customer-brings":
        return scribe.say("You supply this part. We give no warranty on the part itself.")
    return why.text
