"""Job: the operations that diagnoses and the counter request, each once."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import reduce
from operator import or_

from msgspec import Struct

from kitwright.catalogue.expansion import expand_job
from kitwright.catalogue.graph import job_fits
from kitwright.catalogue.model import Catalogue, Job, JobId, VisitWorkId
from kitwright.errors import KitwrightError
from kitwright.stages.request import JobDoesNotFit, Request, RequestFault, RequestRefused
from kitwright.stages.why import Why, place

OperationKey = tuple[JobId, int]
"""A job and its cylinder, 0 for a job on the engine; operations are sorted by it."""


class Operation(Struct, frozen=True, kw_only=True):
    """A job on one cylinder, or on the engine if `cylinder` is None."""

    job: Job
    cylinder: int | None
    why: tuple[Why, ...] = ()

    @property
    def key(self) -> OperationKey:
        """The job and its cylinder, 0 for a job on the engine."""
        return (self.job.id, self.cylinder or 0)

    @property
    def text(self) -> str:
        """The instance id, such as `J-LASH@1`."""
        return place(self.job.id, self.cylinder)


class Swallowed(Struct, frozen=True):
    """An operation that is not done separately because another one includes it."""

    operation: Operation
    by: Operation


class Jobs(Struct, frozen=True, kw_only=True):
    """The operations of a visit, sorted by job and cylinder; the operations that they include; and
    those left out.
    """

    operations: tuple[Operation, ...]
    swallowed: tuple[Swallowed, ...]
    left_out: tuple[Operation, ...]

    @property
    def visit_work(self) -> tuple[VisitWorkId, ...]:
        """The work done once per visit that any operation requires, sorted."""
        return tuple(sorted({visit for each in self.operations for visit in each.job.visit}))


class NotInQuote(RequestFault):
    """A job to leave out that is not in the quote."""

    code = "not-in-quote"

    def __init__(self, named: str, there: Iterable[str]) -> None:
        self.named = named
        self.there = tuple(there)
        super().__init__(f"{named} is not in this quote; in it are: {', '.join(self.there)}")


class NothingLeft(RequestFault):
    """A request that leaves out everything that it asks for."""

    code = "nothing-left"

    def __init__(self) -> None:
        super().__init__("every job of this quote is left out, so nothing is left to quote")


def choose_jobs(catalogue: Catalogue, request: Request) -> Jobs:
    """Return the operations of a request.

    They are the jobs of its diagnoses at the scope, and the jobs named and added, without those
    left out. Operations that another one includes are then set apart as swallowed.

    Raises: RequestRefused, if a diagnosis' job does not fit the engine, a job to leave out is not
    there, or nothing is left.
    """
    asked: dict[OperationKey, Operation] = {}
    for operation in _asked(catalogue, request):
        known = asked.get(operation.key)
        reasons = operation.why if known is None else known.why + operation.why
        # in a fixed order: the order of the request has no meaning
        why = tuple({_sorting(why): why for why in sorted(reasons, key=_sorting)}.values())
        asked[operation.key] = Operation(job=operation.job, cylinder=operation.cylinder, why=why)
    faults: list[KitwrightError] = [*_misfits(catalogue, request)]
    there = [operation.text for _, operation in sorted(asked.items())]
    left_out = []
    for index, (job, cylinder) in enumerate(request.leave_out):
        gone = asked.pop((job.id, cylinder or 0), None)
        if gone is None:
            faults.append(NotInQuote(place(job.id, cylinder), there).at("leave_out", index))
        else:
            left_out.append(gone)
    if not asked and not faults:
        faults.append(NothingLeft().at("leave_out"))
    if faults:
        raise RequestRefused(faults)
    return settle(asked.values(), left_out=tuple(left_out))


def _misfits(catalogue: Catalogue, request: Request) -> Iterator[RequestFault]:
    """Yield an error for each job of the diagnoses that does not fit this kind of engine."""
    for index, (diagnosis, _) in enumerate(request.diagnoses):
        for reference in diagnosis.scopes.of(request.asked.scope):
            job = catalogue.jobs[reference.job]
            if not job_fits(catalogue, request.family, job):
                fault = JobDoesNotFit(job, request.family)
                fault.at("diagnoses", index)
                yield fault


def settle(asked: Iterable[Operation], *, left_out: tuple[Operation, ...] = ()) -> Jobs:
    """Return operations sorted, with those that others among them include set apart."""
    everything = sorted(asked, key=lambda operation: operation.key)
    stays: list[Operation] = []
    swallowed = []
    for operation in _holders_first(everything):
        # an operation that is swallowed itself no longer includes others
        by = next((other for other in stays if includes(other, operation)), None)
        if by is None:
            stays.append(operation)
        else:
            swallowed.append(Swallowed(operation, by))
    stays.sort(key=lambda operation: operation.key)
    swallowed.sort(key=lambda gone: gone.operation.key)
    return Jobs(operations=tuple(stays), swallowed=tuple(swallowed), left_out=left_out)


class Settled:
    """Says which of some operations are set apart by `settle`, without their reasons. Sets of
    operations are told as bits.
    """

    def __init__(self, operations: Iterable[Operation]) -> None:
        ordered = _holders_first(sorted(operations, key=lambda each: each.key))
        self._bit = {each.key: 1 << place for place, each in enumerate(ordered)}
        self._holders = [
            (self._bit[each.key], sum(self._bit[one.key] for one in ordered if includes(one, each)))
            for each in ordered
        ]
        self._stay: dict[int, int] = {}

    def of(self, keys: Iterable[OperationKey]) -> int:
        """Return the bits of operations."""
        return reduce(or_, (self._bit[key] for key in keys), 0)

    def stay(self, bits: int) -> int:
        """Return the operations of a set that no other one of them includes."""
        stays = self._stay.get(bits)
        if stays is None:
            stays = 0
            for bit, holders in self._holders:
                # an operation that is swallowed itself no longer includes others
                if bits & bit and not stays & holders:
                    stays |= bit
            self._stay[bits] = stays
        return stays

    def keys(self, bits: int) -> tuple[OperationKey, ...]:
        """Return the operations of a set by key, sorted."""
        return tuple(sorted(key for key, bit in self._bit.items() if bits & bit))


def _holders_first(operations: Sequence[Operation]) -> list[Operation]:
    """Return operations so that each comes after all that include it; there are no cycles."""
    ordered: dict[OperationKey, Operation] = {}
    holders = [operation for operation in operations if operation.job.supersedes]

    def add(operation: Operation) -> None:
        if operation.key not in ordered:
            for other in holders:
                if includes(other, operation):
                    add(other)
            ordered[operation.key] = operation

    for operation in operations:
        add(operation)
    return list(ordered.values())


def _sorting(why: Why) -> str:
    return f"{why.code} {sorted(why.facts.items(), key=str)}"


def includes(holder: Operation, other: Operation) -> bool:
    """Return whether an operation's work includes another one's."""
    if other.job.id not in holder.job.supersedes:
        return False
    return holder.cylinder is None or holder.cylinder == other.cylinder


def _asked(catalogue: Catalogue, request: Request) -> Iterator[Operation]:
    scope = request.asked.scope
    for diagnosis, cylinder in request.diagnoses:
        why = (
            Why(
                "asked-by-diagnosis",
                {"diagnosis": diagnosis.code, "cylinder": cylinder, "scope": scope.value},
            ),
        )
        for reference in diagnosis.scopes.of(scope):
            for job, on in expand_job(
                catalogue,
                reference.job,
                reference.cylinders,
                cylinder,
                request.family.cylinders,
            ):
                yield Operation(job=job, cylinder=on, why=why)
    asked = Why("chosen-by-findings" if request.asked.is_by_findings else "asked-by-counter")
    for job, on in request.jobs:
        yield Operation(job=job, cylinder=on, why=(asked,))
    for job, on in request.add_jobs:
        yield Operation(job=job, cylinder=on, why=(Why("added-by-counter"),))
