"""Base: the amounts, numbers and reasons that a quote is made of.

Amounts and quantities are decimal texts, because a quote is read by programs without decimal
numbers, and no value may change on its way.
"""

from __future__ import annotations

from decimal import Decimal
from functools import lru_cache
from typing import Annotated

from msgspec import Meta, Struct

from kitwright.catalogue.model import SERIAL_MAX
from kitwright.money import Money

DecimalText = Annotated[
    str, Meta(pattern=r"^-?[0-9]+(\.[0-9]+)?$", description="A decimal number.")
]
Minutes = Annotated[int, Meta(ge=0, le=1_000_000_000, description="Whole minutes.")]
MoreMinutes = Annotated[
    int, Meta(ge=-1_000_000_000, le=1_000_000_000, description="Whole minutes more, or less.")
]
Count = Annotated[int, Meta(ge=0, le=1_000_000_000)]
OnCylinder = Annotated[int, Meta(ge=1, le=99, description="Cylinders count from 1.")]
SerialNumber = Annotated[int, Meta(ge=0, le=SERIAL_MAX)]
FactNumber = Annotated[int, Meta(ge=-1_000_000_000, le=1_000_000_000)]
UnitCode = Annotated[str, Meta(description="UN/ECE Recommendation 20.")]
Measure = Annotated[
    str, Meta(description="What `unit` counts, as the catalogue says it: `piece`, `can`, `sheet`.")
]


class Amount(Struct, frozen=True):
    """An amount of money, with all decimal digits of its currency."""

    amount: DecimalText
    currency: Annotated[str, Meta(pattern="^[A-Z]{3}$", description="ISO 4217.")]

    @property
    def money(self) -> Money:
        """The amount to compute with."""
        return Money.of(Decimal(self.amount), self.currency)

    def __neg__(self) -> Amount:
        """Return the amount with the opposite sign."""
        return amount_of(-self.money)


@lru_cache(maxsize=8_192)
def amount_of(value: Money) -> Amount:
    """Return an amount in the form that a quote uses. Cached: a quote repeats the same few amounts.

    >>> amount_of(Money(12_950, "USD"))
    Amount(amount='129.50', currency='USD')
    """
    return Amount(value.amount_text, value.currency)


def known(amount: Amount | None) -> Money:
    """Return an amount of a quote whose tax is known, to compute with."""
    assert amount is not None
    return amount.money


class Reason(Struct, frozen=True, kw_only=True):
    """A reason: its code and facts for machines, its text for people."""

    code: str
    facts: dict[str, str | FactNumber | Amount | None]
    text: str


class Caution(Struct, frozen=True, kw_only=True):
    """A hazard of this visit, and the steps with that hazard: as ids (`steps`), and in words
    (`at`).
    """

    code: str
    title: str
    text: str
    steps: tuple[str, ...]
    at: tuple[str, ...]


class JobOn(Struct, frozen=True, kw_only=True):
    """A job and its cylinder; `cylinder` is null for a job on the engine."""

    job: str
    name: str
    cylinder: OnCylinder | None
