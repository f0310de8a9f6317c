"""Beta: shares of the beta and of Student's distribution, and the values below which they lie.

The share below a value is the regularised incomplete beta function. It is computed by its continued
fraction (modified Lentz), and its inverse by bisection, so that both are the same on every machine
to about 12 digits. Intervals have a probability of 0.95, and leave here as decimals.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from math import exp, lgamma, log, log1p, sqrt
from typing import Final

from msgspec import Struct

_TINY: Final = 1e-300
_CLOSE: Final = 1e-15
_TERMS: Final = 500
_HALVINGS: Final = 200
_SPARE: Final = 0.025
"""The share on either side of an interval."""


class Interval(Struct, frozen=True):
    """Where something lies with a probability of 0.95, to six decimal places."""

    low: Decimal
    high: Decimal


def interval_of(low: float, high: float) -> Interval:
    """Return an interval by its ends."""
    return Interval(to_decimal(low), to_decimal(high))


def to_decimal(value: float) -> Decimal:
    """Return a number to six decimal places."""
    return Decimal(f"{value:.6f}")


def beta_interval(first: Fraction, second: Fraction) -> Interval:
    """Return the interval of a beta distribution with parameters above 0."""
    low = beta_value(_SPARE, float(first), float(second))
    return interval_of(low, beta_value(1 - _SPARE, float(first), float(second)))


def share_interval(found: int, cases: int) -> Interval:
    """Return where the probability of something lies that was found in some of several cases (at
    least one), by Clopper and Pearson.
    """
    low = beta_value(_SPARE, found, cases - found + 1) if found else 0.0
    high = beta_value(1 - _SPARE, found + 1, cases - found) if found < cases else 1.0
    return interval_of(low, high)


def beta_share(value: float, first: float, second: float) -> float:
    """Return the share of a beta distribution below a value.

    Args:
        value: from 0 to 1.
        first: the first parameter, above 0.
        second: the second parameter, above 0.
    """
    if value <= 0:
        return 0.0
    if value >= 1:
        return 1.0
    scale = lgamma(first + second) - lgamma(first) - lgamma(second)
    front = exp(scale + first * log(value) + second * log1p(-value))
    # the fraction converges fast on the side of the mean that it is taken on
    if value < (first + 1) / (first + second + 2):
        return front * _fraction(value, first, second) / first
    return 1 - front * _fraction(1 - value, second, first) / second


def _fraction(value: float, first: float, second: float) -> float:
    """Return the continued fraction of the incomplete beta function."""
    upper = 1.0
    lower = 1 / _not_zero(1 - (first + second) * value / (first + 1))
    found = lower
    for term in range(1, _TERMS):
        twice = first + 2 * term
        even = term * (second - term) * value / ((twice - 1) * twice)
        odd = -(first + term) * (first + second + term) * value / (twice * (twice + 1))
        change = 1.0
        for factor in (even, odd):
            lower = 1 / _not_zero(1 + factor * lower)
            upper = _not_zero(1 + factor / upper)
            change = lower * upper
            found *= change
        if abs(change - 1) < _CLOSE:
            break
    return found


def _not_zero(value: float) -> float:
    return value if abs(value) > _TINY else _TINY


def beta_value(share: float, first: float, second: float) -> float:
    """Return the value below which a share (0 to 1) of a beta distribution lies."""
    low, high = 0.0, 1.0
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if not low < middle < high:
            break
        if beta_share(middle, first, second) < share:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def student_value(share: float, degrees: float) -> float:
    """Return the value below which a share of Student's distribution lies.

    Args:
        share: above 0 and below 1.
        degrees: the degrees of freedom, above 0.
    """
    if share == 0.5:
        return 0.0
    tail = 2 * min(share, 1 - share)
    part = beta_value(tail, degrees / 2, 0.5)
    size = sqrt(degrees * (1 - part) / part)
    return size if share > 0.5 else -size
