"""Bounds: the most that a person may type as an amount, a quantity, minutes or packs.

A figure beyond them is a slip: a decimal point left out, or a number read into the wrong field. It
would go through all sums into a bill. They are the same for every shop, since none comes near.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Final

from kitwright.money import Money, digits
from kitwright.stages.request.refusal import RequestFault
from kitwright.units import decimal_text

MOST_MINOR: Final = 100_000_000
"""Of an amount, and of quantity times price, in the currency's smallest unit: a million dollars or
euros. A small engine comes to thousands; thousands of such lines still add up in 12 digits.
"""
MOST_QUANTITY: Final = 100_000
"""Of any unit: a hundred litres in millilitres, or a hundred kilograms in grams."""
MOST_MINUTES: Final = 10_080
"""Of one line or job: a week around the clock. More is several lines."""
MOST_PACKS: Final = 10_000
"""Of one line of an order."""


class TooFine(RequestFault):
    """An amount with more decimals than its currency has."""

    code = "amount-too-fine"

    def __init__(self, figure: Decimal, currency: str) -> None:
        super().__init__(
            f"{decimal_text(figure)} {currency} has more than {digits(currency)} decimals"
        )
        self.figure = figure
        self.currency = currency


class BeyondBounds(RequestFault):
    """A figure that nobody means."""

    code = "beyond-bounds"

    def __init__(self, text: str, most: str) -> None:
        super().__init__(f"{text} is more than the {most} that may be entered here: mistyped?")
        self.text = text
        self.most = most


def check_amount(figure: Decimal, currency: str) -> Iterator[BeyondBounds]:
    """Yield an error if an amount, in major units, is beyond the bounds."""
    if abs(figure) > (most := Money(MOST_MINOR, currency).amount):
        yield BeyondBounds(f"{decimal_text(figure)} {currency}", decimal_text(most))


def check_whole(figure: Decimal, currency: str) -> Iterator[TooFine]:
    """Yield an error if an amount, in major units, is not a whole number of minor units."""
    if figure != round(figure, digits(currency)):
        yield TooFine(figure, currency)


def check_quantity(figure: Decimal, unit: str = "") -> Iterator[BeyondBounds]:
    """Yield an error if a quantity is beyond the bounds; minutes and hours have their own."""
    most = {"minute": Decimal(MOST_MINUTES), "hour": Decimal(MOST_MINUTES) / 60}.get(
        unit, Decimal(MOST_QUANTITY)
    )
    if abs(figure) > most:
        yield BeyondBounds(decimal_text(figure), decimal_text(most))


def check_product(quantity: Decimal, price: Decimal, currency: str) -> Iterator[BeyondBounds]:
    """Yield an error if a quantity at a price comes to an amount beyond the bounds."""
    yield from check_amount(round(quantity * price, digits(currency)), currency)
