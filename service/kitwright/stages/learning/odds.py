"""Odds: how often that happened which was given a probability, and which odds to propose."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from decimal import ROUND_HALF_UP, Decimal
from enum import StrEnum
from fractions import Fraction
from typing import Final

from msgspec import Struct

from kitwright.catalogue.model import ContingencyId
from kitwright.solve.beta import Interval, beta_interval, share_interval
from kitwright.stages.learning.minutes import FEWEST
from kitwright.stages.work import times_odds

WEIGHT: Final = 8
"""As how many cases of the shop's own the catalogue's probability counts."""
BANDS: Final = 10
"""Into how many bands the probabilities from 0 to 1 are parted."""
_PLACES: Final = Decimal("0.01")
_AS_IT_IS: Final = Fraction(1)
_LEAST, _MOST = Fraction(1, 10_000), Fraction(9_999, 10_000)


class ForeseenKind(StrEnum):
    """What a probability was given to: a contingency, or a fault of an assessment."""

    contingency = "contingency"
    diagnosis = "diagnosis"


class Foreseen(Struct, frozen=True, kw_only=True):
    """A probability that a quote gave to a contingency or a fault, and whether it was found.
    `catalogue` is the probability without the shop's own odds.
    """

    kind: ForeseenKind
    code: str
    chance: Fraction
    catalogue: Fraction
    was_found: bool


class Band(Struct, frozen=True, kw_only=True):
    """The cases of a kind whose probability lies from `low` to below `high`: how many there are,
    the mean of what was said, and how many were found. `interval` is that of the share found.
    """

    kind: ForeseenKind
    low: Decimal
    high: Decimal
    cases: int
    said: Fraction
    found: int
    interval: Interval

    @property
    def share(self) -> Fraction:
        """The share of the cases that was found."""
        return Fraction(self.found, self.cases)


class LearnedOdds(Struct, frozen=True, kw_only=True):
    """A contingency, or a fault, over all its cases.

    Attributes:
        kind: what it is.
        code: its id.
        cases: how many finished quotes gave it a probability.
        found: in how many it was found.
        said: the mean probability by the estimates in force.
        kept: the share that the shop's own cases have in the shrunk probability.
        shrunk: the probability by a beta distribution that begins at the catalogue's, as if that
            were `WEIGHT` cases.
        interval: where it lies.
        factor: of the catalogue's odds, in force.
        proposal: the factor to use from now on, None if the one in force may stay.
    """

    kind: ForeseenKind
    code: str
    cases: int
    found: int
    said: Fraction
    kept: Fraction
    shrunk: Fraction
    interval: Interval
    factor: Fraction
    proposal: Decimal | None


def find_bands(foreseen: Iterable[Foreseen]) -> tuple[Band, ...]:
    """Return the bands that have cases, by kind, the lowest first: how reliable odds were."""
    by_band: dict[tuple[ForeseenKind, int], list[Foreseen]] = defaultdict(list)
    for one in foreseen:
        by_band[one.kind, min(int(one.chance * BANDS), BANDS - 1)].append(one)
    return tuple(_band(kind, place, by_band[kind, place]) for kind, place in sorted(by_band))


def _band(kind: ForeseenKind, place: int, cases: list[Foreseen]) -> Band:
    found = sum(one.was_found for one in cases)
    return Band(
        kind=kind,
        low=Decimal(place) / BANDS,
        high=Decimal(place + 1) / BANDS,
        cases=len(cases),
        said=sum((one.chance for one in cases), Fraction(0)) / len(cases),
        found=found,
        interval=share_interval(found, len(cases)),
    )


def learn_odds(
    foreseen: Iterable[Foreseen], factors: Mapping[ContingencyId, Fraction]
) -> tuple[LearnedOdds, ...]:
    """Return what is learned of each contingency and fault, sorted. `factors` are those in force.

    Odds are proposed for contingencies alone, from eight cases on, if the probability in force lies
    outside the interval: those of faults follow from findings, which weigh them anew each time.
    """
    by_code: dict[tuple[ForeseenKind, str], list[Foreseen]] = defaultdict(list)
    for one in foreseen:
        by_code[one.kind, one.code].append(one)
    return tuple(
        _learned(kind, code, by_code[kind, code], factors) for kind, code in sorted(by_code)
    )


def _learned(
    kind: ForeseenKind,
    code: str,
    cases: list[Foreseen],
    factors: Mapping[ContingencyId, Fraction],
) -> LearnedOdds:
    count, found = len(cases), sum(one.was_found for one in cases)
    factor = _AS_IT_IS
    if kind is ForeseenKind.contingency:
        factor = factors.get(ContingencyId(code), _AS_IT_IS)
    catalogue = sum((one.catalogue for one in cases), Fraction(0)) / count
    catalogue = min(max(catalogue, _LEAST), _MOST)
    in_force = sum((times_odds(one.catalogue, factor) for one in cases), Fraction(0)) / count
    first = catalogue * WEIGHT + found
    second = (1 - catalogue) * WEIGHT + count - found
    interval = beta_interval(first, second)
    proposal = None
    is_off = not interval.low <= in_force <= interval.high
    if kind is ForeseenKind.contingency and count >= FEWEST and is_off:
        odds = first / second * (1 - catalogue) / catalogue
        rounded = (Decimal(odds.numerator) / odds.denominator).quantize(_PLACES, ROUND_HALF_UP)
        proposal = max(rounded, _PLACES)
    return LearnedOdds(
        kind=kind,
        code=code,
        cases=count,
        found=found,
        said=in_force,
        kept=Fraction(count, count + WEIGHT),
        shrunk=first / (first + second),
        interval=interval,
        factor=factor,
        proposal=None if proposal == factor else proposal,
    )
