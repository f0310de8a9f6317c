"""What documents say of a line: its heading, quantity and price, whose parts it has, why it is
less.
"""

from __future__ import annotations

from typing import Final

from kitwright.language.scribe import Scribe
from kitwright.quote import Line, Quote, Reason

GOODS: Final = frozenset({"part", "set", "customer_part", "consumable"})
"""Kinds of lines that are goods, with a number and a unit of their own."""
_GROUPS: Final = (
    GOODS,
    frozenset({"labour"}),
    frozenset({"sublet"}),
    frozenset({"fee", "freight"}),
    frozenset({"core"}),
    frozenset({"discount"}),
)
"""Kinds of lines under one heading, in the order of the headings; other kinds come after them."""

_GIVEN = frozenset({"discount-of-line", "discount-of-quote", "percent-of-line", "percent-of-quote"})
"""Reasons of discounts; their sentences also name who of the shop gave it."""


def kind_of(line: Line) -> str:
    """Return the kind of a line; of an added line, the kind that it is taxed as."""
    return line.tax_kind if line.kind == "free" else line.kind


def grouped(quote: Quote, scribe: Scribe) -> list[tuple[str, list[Line]]]:
    """Return the lines under their headings, what was added since the acceptance last; within one,
    lines keep their order.
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
    """Return which heading a line has, in their order."""
    kind = kind_of(line)
    return next((at for at, kinds in enumerate(_GROUPS) if kind in kinds), len(_GROUPS))


def quantity_of(line: Line, scribe: Scribe) -> str:
    """Return how much of something a line is for: 2 sets."""
    return f"{scribe.number(line.quantity)} {scribe.unit(line.measure, line.quantity)}"


def price_of(line: Line, scribe: Scribe) -> str:
    """Return a line's price with what it is for; a piece is not named."""
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
    """Return whose parts a line is for, as far as that is known: one name, or several with how
    many.
    """
    made = line.makes
    if len(made) == 1:
        return made[0].make or ""
    unknown = scribe.say("of unknown make")
    return ", ".join(f"{scribe.number(one.quantity)} {one.make or unknown}" for one in made)


def reason_of(line: Line, scribe: Scribe) -> str:
    """Return why something is taken off, in the shop's own words; empty of other lines."""
    for why in line.why:
        if why.code in _GIVEN:
            percent, reason = why.facts.get("percent"), str(why.facts.get("reason"))
            if percent is None:
                return reason
            rate = scribe.percent(str(percent))
            return scribe.say("{percent} discount: {reason}", percent=rate, reason=reason)
    return ""


def told_to_customer(why: Reason, scribe: Scribe) -> str:
    """Return a reason as its customer reads it: one about the customer speaks to them."""
    if why.code == "customer-brings":
        return scribe.say("You supply this part. We give no warranty on the part itself.")
    return why.text
