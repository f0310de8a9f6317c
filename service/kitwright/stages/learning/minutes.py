"""Minutes: what a shop's clock says of the estimates, group by group, and which to propose.

A group's estimate is the catalogue's minutes times a factor. How many times as long a job takes is
drawn towards 1, the catalogue's own, as far as the jobs of the group leave it uncertain
(`kitwright.solve.shrinkage`, on logarithms). So a proposal lies between the catalogue's estimate
and what the shop's jobs come to, whatever was proposed before.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction
from math import comb
from statistics import median
from typing import Final

from msgspec import Struct

from kitwright.solve.beta import Interval
from kitwright.solve.shrinkage import ShrunkRatio, shrink_ratios
from kitwright.stages.learning.clocked import GroupMinutes, Worked
from kitwright.stages.work import PaceKey

FEWEST: Final = 8
"""The fewest jobs, or cases, from which an estimate is proposed."""
_PLACES: Final = Decimal("0.01")
_AS_IT_IS: Final = Fraction(1)
_SPARE: Final = Fraction(1, 40)
"""The share on either side of an interval."""


class MedianInterval(Struct, frozen=True):
    """Between which values a median lies with a probability of at least 0.95."""

    low: Fraction
    high: Fraction


class LearnedMinutes(Struct, frozen=True, kw_only=True):
    """A group's minutes, estimated and clocked, over all its jobs.

    Attributes:
        key: the group.
        jobs: how many finished quotes have it.
        shared: in how many of them its minutes were clocked together with other classes'.
        estimated: the minutes by the estimates in force.
        clocked: the minutes that were clocked.
        ratio: the median over jobs of clocked to estimated minutes.
        interval: where the median of such jobs lies by the order of these alone; None of fewer
            than six.
        factor: of the catalogue's minutes, in force.
        kept: the share of the mean logarithm that the shrunk factor keeps.
        shrunk: the factor by the jobs, shrunk.
        shrunk_interval: where the group's factor lies.
        proposal: the factor to use from now on, None if the one in force may stay.
    """

    key: PaceKey
    jobs: int
    shared: int
    estimated: Fraction
    clocked: Fraction
    ratio: Fraction
    interval: MedianInterval | None
    factor: Fraction
    kept: Decimal
    shrunk: Decimal
    shrunk_interval: Interval
    proposal: Decimal | None


class WorstJob(Struct, frozen=True, kw_only=True):
    """A finished quote whose estimate was far off: minutes by the estimates in force, and clocked,
    of the groups that were clocked.
    """

    quote: int
    family: str
    estimated: Fraction
    clocked: Fraction

    @property
    def ratio(self) -> Fraction:
        """How many times as long as estimated the job took."""
        return self.clocked / self.estimated


def learn_minutes(
    worked: Iterable[Worked], factors: Mapping[PaceKey, Fraction]
) -> tuple[LearnedMinutes, ...]:
    """Return what is learned of each group, sorted. `factors` are those in force.

    A factor is proposed from eight jobs on, to hundredths, if the one in force lies outside the
    interval of the shrunk one. So what may be chance is not proposed.
    """
    by_key: dict[PaceKey, list[GroupMinutes]] = defaultdict(list)
    for one in worked:
        for group in one.groups:
            by_key[group.key].append(group)
    shrunk = shrink_ratios(
        {key: [one.clocked / one.estimated for one in groups] for key, groups in by_key.items()}
    )
    return tuple(
        _learned(key, by_key[key], factors.get(key, _AS_IT_IS), shrunk[key])
        for key in sorted(by_key)
    )


def _learned(
    key: PaceKey, groups: Sequence[GroupMinutes], factor: Fraction, found: ShrunkRatio
) -> LearnedMinutes:
    ratios = sorted(one.clocked / (one.estimated * factor) for one in groups)
    return LearnedMinutes(
        key=key,
        jobs=len(groups),
        shared=sum(one.is_shared for one in groups),
        estimated=sum((one.estimated for one in groups), Fraction(0)) * factor,
        clocked=sum((one.clocked for one in groups), Fraction(0)),
        ratio=median(ratios),
        interval=median_interval(ratios),
        factor=factor,
        kept=found.kept,
        shrunk=found.ratio,
        shrunk_interval=found.interval,
        proposal=_proposal(len(groups), factor, found),
    )


def _proposal(jobs: int, factor: Fraction, found: ShrunkRatio) -> Decimal | None:
    if jobs < FEWEST or found.interval.low <= factor <= found.interval.high:
        return None
    proposed = found.ratio.quantize(_PLACES, ROUND_HALF_UP)
    return None if proposed == factor or not proposed else proposed


def median_interval(values: Sequence[Fraction]) -> MedianInterval | None:
    """Return the values of an ascending sample between which the median of what it was drawn from
    lies, whatever the distribution; None of fewer than six values.
    """
    count, place = len(values), 0
    below = Fraction(1, 2**count)
    # the probability that no more than `place` values are below the median
    while below <= _SPARE:
        place += 1
        below += Fraction(comb(count, place), 2**count)
    return MedianInterval(values[place - 1], values[count - place]) if place else None


def worst_jobs(
    worked: Iterable[Worked], factors: Mapping[PaceKey, Fraction], most: int = 10
) -> tuple[WorstJob, ...]:
    """Return the finished quotes that took the most times as long, or as short, as estimated; the
    worst first.
    """
    jobs = [_whole(one, factors) for one in worked if one.groups]
    jobs.sort(key=lambda job: (-max(job.ratio, 1 / job.ratio), job.quote))
    return tuple(jobs[:most])


def _whole(worked: Worked, factors: Mapping[PaceKey, Fraction]) -> WorstJob:
    groups = worked.groups
    return WorstJob(
        quote=worked.quote,
        family=worked.family,
        estimated=sum(
            (one.estimated * factors.get(one.key, _AS_IT_IS) for one in groups), Fraction(0)
        ),
        clocked=sum((one.clocked for one in groups), Fraction(0)),
    )
