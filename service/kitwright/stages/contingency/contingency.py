"""Contingency: what teardown may show on a visit, how probable it is, and what it adds."""

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
from kitwright.money import Money
from kitwright.stages.finding import Findings
from kitwright.stages.kit import Need, RolePlace
from kitwright.stages.request import Request
from kitwright.stages.work import Jobs, Operation, settle
from kitwright.units import exact

_PLACES = Decimal("0.0001")


class Way(Struct, frozen=True, kw_only=True):
    """One way in which something may turn up: by a job's row of the catalogue, on a cylinder, and
    where another contingency brings that job, after it (by its place in the list).
    """

    row: Contingency
    cylinder: int | None
    after: int | None


class MayTurnUp(Struct, frozen=True, kw_only=True):
    """Something that may turn up on a visit, and the operations and roles that it adds.

    `cylinder` is None where it may be on any. The first of `ways` is the shortest.
    """

    kind: ContingencyKind
    cylinder: int | None
    operations: tuple[Operation, ...]
    roles: tuple[RolePlace, ...]
    ways: tuple[Way, ...]


class Chance(Struct, frozen=True):
    """How probable something is, 0..1 to four places, and what has to turn up before it (by its
    place in the list), None where nothing has to.
    """

    probability: Decimal
    after: int | None


class Weighed(Struct, frozen=True, kw_only=True):
    """Something that may turn up, at what the whole visit costs more with it, tax included where
    known.

    `after` is what has to turn up before it, None where nothing has to: its price is what it adds
    to the visit with that, and its `probability` (0..1, to four places) is that of both.
    `is_likely` says whether it is at least possible by the shop's own grades.
    """

    found: MayTurnUp
    after: MayTurnUp | None
    probability: Decimal
    is_likely: bool
    price: Money
    minutes: int
    needs: tuple[Need, ...]


class Prospect(Struct, frozen=True, kw_only=True, eq=False):
    """What may turn up on the visits of a draft, the most probable first; what all that is likely
    adds, and what the dearest combination of the list adds, never less than nothing.

    `replaces_jobs` says whether anything of the list adds a job that holds one of the draft's.
    Compared by identity, so that what is made of it can be remembered by it.
    """

    each: tuple[Weighed, ...]
    likely: Money
    worst: Money
    replaces_jobs: bool


class Contingencies(Struct, frozen=True, kw_only=True):
    """What may turn up on a quote, and what it comes to as it stands.

    `lapsing` is what the counter has taken off by naming jobs, lines or parts, where those may be
    replaced by what turns up: it would have to be paid again.
    """

    prospect: Prospect
    as_quoted: Money
    lapsing: Money

    @property
    def each(self) -> tuple[Weighed, ...]:
        """What may turn up, the most probable first."""
        return self.prospect.each

    @property
    def likely(self) -> Money:
        """What the quote comes to with all that is likely."""
        return self.as_quoted + self.prospect.likely

    @property
    def worst(self) -> Money:
        """What the quote comes to with the dearest combination of the list; no limit."""
        return self.as_quoted + self.lapsing + self.prospect.worst


def list_contingencies(
    catalogue: Catalogue, request: Request, jobs: Jobs, needed: Iterable[Need]
) -> tuple[MayTurnUp, ...]:
    """Return what may turn up in some jobs, and in those that this brings, each once.

    What adds nothing to the jobs and to what is `needed` is left out, and so are jobs that this
    kind of engine has not the parts for.
    """
    there = {(need.role, need.cylinder) for need in needed}
    listed: list[MayTurnUp] = []
    # jobs of a cylinder first: what turns up there has a place, in an engine job it has none
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
                # by way of itself, or of something further off, is no other way
                ways = (*listed[known].ways, way)
                listed[known] = structs.replace(listed[known], ways=ways)
    return tuple(listed)


def _is_same(one: MayTurnUp, other: MayTurnUp) -> bool:
    """Return whether two are one: on one cylinder, or the other wherever it is adds the same."""
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
    listed: Sequence[MayTurnUp], request: Request, findings: Findings | None
) -> tuple[Chance, ...]:
    """Return how probable each is: by its most probable way, and no more probable than what has to
    turn up before. Where it can do so by itself, nothing has to.
    """
    seen = _Seen(request, findings)
    chances: list[Fraction] = []
    found = []
    for may in listed:
        # what has to turn up before stands before it
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
    """What is known of a machine that raises contingencies: findings, its background, its state.

    What the gates void does not count.
    """

    def __init__(self, request: Request, findings: Findings | None) -> None:
        self._condition = {"rust": request.asked.condition.rust.value}
        self._background = frozenset(row.id for row in findings.background) if findings else ()
        self._levels = {
            (one.kind.id, one.cylinder): one.kind.levels[one.level]
            for one in (findings.counted if findings else ())
        }

    def chance(self, row: Contingency, cylinder: int | None) -> Fraction:
        """Return how probable something is by one row of the catalogue."""
        raised = row.raised_probability
        if raised is not None and any(self._holds(one, cylinder) for one in row.raised_by):
            return exact(raised)
        return exact(row.probability)

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
