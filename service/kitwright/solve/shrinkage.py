"""Shrinkage: the means of several groups of measurements, each drawn towards nought as far as its
own measurements leave it uncertain.

Measurements of a group vary about its mean by one variance `within`, which all groups share. The
means vary about nought by a variance `between`. Both are estimated from the measurements: `within`
is the pooled variance, and `between` solves the equation of Paule and Mandel with the mean fixed at
nought: the sum over groups of mean² / (between + within / count) is the number of groups. A mean is
then normal with a normal prior, so what is known of it afterwards lies between nought and the mean
of its measurements, and never beyond.

`shrink_ratios` does so with the logarithms of ratios, and draws them towards 1. Its results leave
here as decimals.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from math import exp, fsum, log, sqrt
from typing import Final, Generic, TypeVar

from msgspec import Struct

from kitwright.solve.beta import Interval, interval_of, student_value, to_decimal

G = TypeVar("G", bound=Hashable)
_HALVINGS: Final = 200


class Shrunk(Struct, frozen=True, kw_only=True):
    """What is known of the mean of a group.

    Attributes:
        count: how many measurements it has.
        mean: their mean.
        weight: the share of it that is kept, from 0 to 1.
        value: the mean as it is estimated, weight * mean.
        deviation: the standard deviation of that estimate.
        low: the lower end of the interval of a share of 0.95.
        high: its upper end.
    """

    count: int
    mean: float
    weight: float
    value: float
    deviation: float
    low: float
    high: float


class Shrinkage(Struct, Generic[G], frozen=True, kw_only=True):
    """The groups with their estimated means, and the variances that they follow from. `degrees` are
    the degrees of freedom of `within`.
    """

    within: float
    between: float
    degrees: int
    groups: Mapping[G, Shrunk]


class ShrunkRatio(Struct, frozen=True, kw_only=True):
    """What is known of the ratio of a group: the share of its mean logarithm that is kept, the
    ratio as it is estimated, and where it lies, all to six decimal places.
    """

    kept: Decimal
    ratio: Decimal
    interval: Interval


def shrink_ratios(measured: Mapping[G, Sequence[Fraction]]) -> Mapping[G, ShrunkRatio]:
    """Return the ratios of groups, shrunk towards 1; all measured ratios are above 0."""
    logs = {name: [log(one) for one in values] for name, values in measured.items()}
    return {
        name: ShrunkRatio(
            kept=to_decimal(one.weight),
            ratio=to_decimal(exp(one.value)),
            interval=interval_of(exp(one.low), exp(one.high)),
        )
        for name, one in shrink(logs).groups.items()
    }


def shrink(measured: Mapping[G, Sequence[float]], share: float = 0.95) -> Shrinkage[G]:
    """Return the means of groups, shrunk.

    Args:
        measured: the measurements of each group. Those of an empty group are not estimated.
        share: the probability that an interval is to have.

    Returns: with no two measurements in any group, `within` is unknown, so nothing is kept of any
    mean: all weights are 0.
    """
    groups = {name: tuple(values) for name, values in measured.items() if values}
    means = {name: fsum(values) / len(values) for name, values in groups.items()}
    degrees = sum(len(values) - 1 for values in groups.values())
    if degrees == 0:
        nothing = {name: _unknown(len(groups[name]), mean) for name, mean in means.items()}
        return Shrinkage(within=0.0, between=0.0, degrees=0, groups=nothing)
    squares = fsum((one - means[name]) ** 2 for name, values in groups.items() for one in values)
    within = squares / degrees
    errors = {name: within / len(values) for name, values in groups.items()}
    between = _between([(means[name], errors[name]) for name in groups])
    reach = student_value((1 + share) / 2, degrees)
    return Shrinkage(
        within=within,
        between=between,
        degrees=degrees,
        groups={
            name: _shrunk(len(values), means[name], errors[name], between, reach)
            for name, values in groups.items()
        },
    )


def _unknown(count: int, mean: float) -> Shrunk:
    return Shrunk(count=count, mean=mean, weight=0.0, value=0.0, deviation=0.0, low=0.0, high=0.0)


def _shrunk(count: int, mean: float, error: float, between: float, reach: float) -> Shrunk:
    spread = between + error
    weight = between / spread if spread else 0.0
    deviation = sqrt(weight * error)
    value = weight * mean
    return Shrunk(
        count=count,
        mean=mean,
        weight=weight,
        value=value,
        deviation=deviation,
        low=value - reach * deviation,
        high=value + reach * deviation,
    )


def _between(groups: Sequence[tuple[float, float]]) -> float:
    """Return the variance of means about nought, by each mean and the variance of its error."""

    def excess(between: float) -> float:
        shares = [mean**2 / (between + error) for mean, error in groups if between + error]
        return fsum(shares) - len(groups)

    if excess(0.0) <= 0:
        return 0.0
    low, high = 0.0, max(mean**2 for mean, _ in groups) * len(groups)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if not low < middle < high:
            break
        if excess(middle) > 0:
            low = middle
        else:
            high = middle
    return (low + high) / 2
