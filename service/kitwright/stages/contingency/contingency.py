"""Contingency: the faults that teardown may show on a visit, their probability and added cost."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from fractions import Fraction

from msgspec import Struct, structs

from kitwright.catalogue.expansion import expand_job
from kitwright.catalogue.graph import expand_role, job_fits
from kitwright.catalogue.model import (
    Catalogue,
    Condition,
    Contingency,
    ContingencyKind,
)
from kitwright.money import Money, round_minor
from kitwright.solve.spread import Spread
from kitwright.stages.finding import Findings
from kitwright.stages.kit import Need, RolePlace
from kitwright.stages.request import Request
from kitwright.stages.work import CATALOGUE, Estimates, Jobs, Operation, settle
from kitwright.units import exact

_PLACES = Decimal("0.0001")


class Way(Struct, frozen=True, kw_only=True):
    """One way in which a contingency may be found: by a job's row of the catalogue, on a cylinder.

    If another contingency adds that job, `after` is the place of that contingency in the list.
    """

    row: Contingency
    cylinder: int | None
    after: int | None


class MayTurnUp(Struct, frozen=True, kw_only=True):
    """A contingency of a visit, with the operations and roles that it adds.

    `cylinder` is None if it may be on any cylinder. The first of `ways` is the shortest.
    """

    kind: ContingencyKind
    cylinder: int | None
    operations: tuple[Operation, ...]
    roles: tuple[RolePlace, ...]
    ways: tuple[Way, ...]


class Chance(Struct, frozen=True):
    """The probability of a contingency, from 0 to 1 with four decimal places. `after` is the place
    in the list of the contingency that has to be found first, None if there is none.
    """

    probability: Decimal
    after: int | None


class Weighed(Struct, frozen=True, kw_only=True):
    """A contingency with the extra cost of the entire visit, including tax if that is known.

    `after` is the contingency that has to be found first, None if there is none. If there is one,
    the price is added to a visit that already includes it, and `probability` (from 0 to 1, with
    four decimal places) is that of both. `is_likely` says whether the probability reaches the
    shop's grade "possible".
    """

    found: MayTurnUp
    after: MayTurnUp | None
    probability: Decimal
    is_likely: bool
    price: Money
    minutes: int
    needs: tuple[Need, ...]


class Prospect(Struct, frozen=True, kw_only=True, eq=False):
    """The contingencies of a quote, most probable first, and what they make of its total.

    `as_quoted` is the total without any, `likely` that with all that are likely, `worst` that with
    the most expensive combination, which is never below `as_quoted`. `spread` is the distribution
    of the total, in minor units. Compared by identity, so that it can be the key under which
    results from it are cached.
    """

    each: tuple[Weighed, ...]
    as_quoted: Money
    likely: Money
    worst: Money
    spread: Spread

    @property
    def expected(self) -> Money:
        """The expected total; combinations without a figure count as the worst."""
        return Money(round_minor(self.spread.mean(self.worst.minor)), self.worst.currency)

    def total_at(self, share: Fraction) -> Money:
        """Return the total that is not exceeded with a probability of at least `share`. If that
        needs combinations without a figure, it is the worst.
        """
        minor = self.spread.quantile(share)
        return self.worst if minor is None else Money(minor, self.worst.currency)

    def chance_over(self, limit: Money) -> Fraction:
        """Return the probability that the total exceeds a limit; combinations without a figure
        exceed every limit below the worst.
        """
        return Fraction(0) if limit >= self.worst else self.spread.chance_over(limit.minor)


def list_contingencies(
    catalogue: Catalogue, request: Request, jobs: Jobs, needed: Iterable[Need]
) -> tuple[MayTurnUp, ...]:
    """Return the contingencies of some jobs, and of the jobs that these add, each once.

    A contingency is left out if it adds nothing to the jobs and to the parts `needed`. Jobs are
    left out if this kind of engine does not have the parts for them.
    """
    there = {(need.role, need.cylinder) for need in needed}
    listed: list[MayTurnUp] = []
    # jobs of a cylinder first: a find there has a cylinder, in an engine job it has none
    first = sorted(jobs.operations, key=lambda each: each.cylinder is None)
    todo: deque[tuple[Operation, int | None]] = deque((each, None) for each in first)
    while todo:
        operation, after = todo.popleft()
        for row in operation.job.contingency:
            way = Way(row=row, cylinder=operation.cylinder, after=after)
            may = MayTurnUp(
                kind=catalogue.contingencies[row.id],
                cylinder=operation.cylinder,
                operations=tuple(_operations(catalogue, request, row, operation)),
                roles=tuple(role for role in _roles(request, row, operation) if role not in there),
                ways=(way,),
            )
            known = next((at for at, one in enumerate(listed) if _is_same(one, may)), None)
            if known is None and _adds(may, jobs):
                todo.extend((each, len(listed)) for each in may.operations)
                listed.append(may)
            elif known is not None and (after is None or after < known):
                # a way through itself, or through something further off, is not another way
                ways = (*listed[known].ways, way)
                listed[known] = structs.replace(listed[known], ways=ways)
    return tuple(listed)


def _is_same(one: MayTurnUp, other: MayTurnUp) -> bool:
    """Return whether two contingencies are the same: on the same cylinder, or the other is on any
    cylinder and adds the same operations.
    """
    if one.kind.id != other.kind.id:
        return False
    if other.cylinder is None and one.operations == other.operations:
        return True
    return one.cylinder == other.cylinder


def _adds(may: MayTurnUp, jobs: Jobs) -> bool:
    together = settle([*jobs.operations, *may.operations])
    return bool(may.roles) or together.operations != jobs.operations


def _operations(
    catalogue: Catalogue, request: Request, row: Contingency, operation: Operation
) -> Iterator[Operation]:
    family = request.family
    for one in row.add:
        if one.job is not None and job_fits(catalogue, family, catalogue.jobs[one.job]):
            for job, cylinder in expand_job(
                catalogue, one.job, one.cylinders, operation.cylinder, family.cylinders
            ):
                yield Operation(job=job, cylinder=cylinder)


def _roles(request: Request, row: Contingency, operation: Operation) -> Iterator[RolePlace]:
    for one in row.add:
        if one.role is not None:
            yield from expand_role(one.role, operation.cylinder, request.family.cylinders)


def find_chances(
    listed: Sequence[MayTurnUp],
    request: Request,
    findings: Findings | None,
    estimates: Estimates = CATALOGUE,
) -> tuple[Chance, ...]:
    """Return the chance of each contingency by its most probable way, with the shop's own odds.

    If it follows another, the probabilities are multiplied. If it can also be found by itself, none
    has to be found first.
    """
    seen = _Seen(request, findings, estimates)
    chances: list[Fraction] = []
    found = []
    for may in listed:
        # a contingency that has to be found first is earlier in the list
        by_way = [
            seen.chance(way.row, way.cylinder) * (1 if way.after is None else chances[way.after])
            for way in may.ways
        ]
        chance = max(by_way)
        chances.append(chance)
        is_free = any(way.after is None for way in may.ways)
        found.append(
            Chance(
                (Decimal(chance.numerator) / chance.denominator).quantize(_PLACES),
                None if is_free else may.ways[by_way.index(chance)].after,
            )
        )
    return tuple(found)


class _Seen:
    """The facts about a machine that make contingencies more probable: findings, background, state.

    Findings that gates have made void do not count.
    """

    def __init__(self, request: Request, findings: Findings | None, estimates: Estimates) -> None:
        self._estimates = estimates
        self._condition = {"rust": request.asked.condition.rust.value}
        self._background = frozenset(row.id for row in findings.background) if findings else ()
        self._levels = {
            (one.kind.id, one.cylinder): one.kind.levels[one.level]
            for one in (findings.counted if findings else ())
        }

    def chance(self, row: Contingency, cylinder: int | None) -> Fraction:
        """Return the probability of a contingency by one row of the catalogue."""
        raised, chance = row.raised_probability, row.probability
        if raised is not None and any(self._holds(one, cylinder) for one in row.raised_by):
            chance = raised
        return self._estimates.chance(row.id, exact(chance))

    def _holds(self, condition: Condition, cylinder: int | None) -> bool:
        if condition.context is not None:
            return condition.context in self._background
        if condition.condition is not None:
            return self._condition[condition.condition] in condition.levels
        return any(
            level in condition.levels
            for (name, on), level in self._levels.items()
            if name == condition.finding and (on is None or cylinder is None or on == cylinder)
        )
