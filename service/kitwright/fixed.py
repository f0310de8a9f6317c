"""Fixed: the jobs of a repair that its customer can't leave out, each with the reason."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from kitwright.catalogue.expansion import expand_job
from kitwright.catalogue.model import Catalogue, Diagnosis
from kitwright.stages.request import Request
from kitwright.stages.why import Fact, Why
from kitwright.stages.work import Jobs, Operation, OperationKey, includes

UNSAFE: Final = "unsafe-without"
"""The code of the reason of a job that is not safe to leave out."""


def find_fixed(catalogue: Catalogue, request: Request, jobs: Jobs) -> Mapping[OperationKey, Why]:
    """Return why each job that a customer can't leave out stays, by job and cylinder.

    A job stays if it is the only one, if it would not be safe to leave it out, if findings ask for
    it before anything else, or if a diagnosis is not repaired without it: what the diagnosis needs
    at least, or the job that is done in its place.
    """
    operations = jobs.operations
    fixed: dict[OperationKey, Why] = {}
    # a job that several need is said to be for the first of them, in whatever order they were given
    named = sorted(request.diagnoses, key=lambda one: (one[0].code, one[1] or 0))
    for diagnosis, cylinder in named:
        facts: dict[str, Fact] = {"diagnosis": diagnosis.code, "cylinder": cylinder}
        for operation in _needed(catalogue, request, jobs, diagnosis, cylinder):
            fixed.setdefault(operation.key, Why("needed-by-diagnosis", facts))
    if request.asked.is_by_findings:
        first = {(job.id, cylinder or 0) for job, cylinder in request.jobs}
        fixed |= {each.key: Why("needed-first") for each in operations if each.key in first}
    fixed |= {each.key: Why(UNSAFE) for each in operations if each.job.safety}
    if len(operations) == 1:
        fixed.setdefault(operations[0].key, Why("only-job"))
    return fixed


def _needed(
    catalogue: Catalogue,
    request: Request,
    jobs: Jobs,
    diagnosis: Diagnosis,
    cylinder: int | None,
) -> Iterator[Operation]:
    """Yield the operations without which a diagnosis would not be repaired."""
    done = {each.key: each for each in jobs.operations}
    apart = {each.operation.key: each.by for each in jobs.swallowed}
    is_repaired = False
    for operation in _least(catalogue, request, diagnosis, cylinder):
        if operation.key in done:
            is_repaired = True
            yield done[operation.key]
        elif operation.key in apart:
            # without the job that includes it, it is done separately; but a replacement that was
            # chosen as such is no addition to a repair
            is_repaired = True
            if apart[operation.key].job.replacement is not None:
                yield apart[operation.key]
        else:
            for other in jobs.operations:
                if includes(other, operation):
                    is_repaired = True
                    yield other
    if is_repaired:
        return
    # another repair takes the place of the least one
    for operation in jobs.operations:
        if any(
            why.facts.get("diagnosis") == diagnosis.code and why.facts.get("cylinder") == cylinder
            for why in operation.why
        ):
            yield operation


def _least(
    catalogue: Catalogue, request: Request, diagnosis: Diagnosis, cylinder: int | None
) -> Iterator[Operation]:
    for reference in diagnosis.scopes.least:
        for job, on in expand_job(
            catalogue, reference.job, reference.cylinders, cylinder, request.family.cylinders
        ):
            yield Operation(job=job, cylinder=on)
