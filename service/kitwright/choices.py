"""Choices: what each optional job adds to the visit, and what leaving out each of its jobs saves.

Both are differences of two whole quotes, so they include work, parts and freight in common.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from msgspec import structs

from kitwright.catalogue.expansion import expand_job
from kitwright.catalogue.graph import job_fits
from kitwright.catalogue.model import WhileApart
from kitwright.money import Money
from kitwright.stages.outcome import (
    Compared,
    Draft,
    Extra,
    Repair,
    Saving,
)
from kitwright.stages.price import (
    PricedLine,
    adjust_lines,
    price_of,
)
from kitwright.stages.request import (
    Request,
    RequestRefused,
)
from kitwright.stages.work import Jobs, Operation, settle
from kitwright.visit import Known, added_needs, keep_lasting, price_jobs
from kitwright.workshop import Workshop


def reprice(
    workshop: Workshop, request: Request, draft: Draft, repair: Repair
) -> tuple[tuple[Extra, ...], tuple[Saving, ...]]:
    """Return the optional jobs and the savings of a draft under the counter's changes of lines."""

    def more_than_repair(lines: Sequence[PricedLine]) -> Money:
        try:
            return _price(workshop, request, lines) - repair.price
        except RequestRefused:
            # changes of single lines may not fit other jobs: then only those of all lines count
            lasting = keep_lasting(request)
            price = _price(workshop, lasting, lines)
            return price - _price(workshop, lasting, draft.repair.lines)

    return (
        tuple(structs.replace(each, price=more_than_repair(each.lines)) for each in draft.extras),
        tuple(structs.replace(each, price=-more_than_repair(each.lines)) for each in draft.savings),
    )


def _price(workshop: Workshop, request: Request, lines: Sequence[PricedLine]) -> Money:
    """Return the total of lines with the counter's changes. Raises: RequestRefused."""
    changed = adjust_lines(lines, request.asked.terms, workshop.shop.currency)
    return price_of(workshop.shop, request, changed)


def find_savings(
    workshop: Workshop, request: Request, repair: Repair, known: Known
) -> Iterator[Saving]:
    """Yield what leaving out each job of a repair saves, in the order of the jobs; nothing if there
    is only one.

    Jobs that only the one left out includes are then done separately.
    """
    jobs = repair.jobs
    if len(jobs.operations) == 1:
        return
    included = [each.operation for each in jobs.swallowed]
    for operation in jobs.operations:
        others = [each for each in jobs.operations if each is not operation]
        without = settle([*others, *included], left_out=jobs.left_out)
        complete, rest = _compared(workshop, request, repair, without, known)
        yield Saving(
            operation=operation,
            price=complete.price - rest.price,
            minutes=complete.labour.billed - rest.labour.billed,
            lines=rest.lines,
        )


def find_extras(
    workshop: Workshop, request: Request, repair: Repair, known: Known
) -> Iterator[Extra]:
    """Yield the jobs worth doing while the engine is apart, each with the cost that it adds to the
    entire visit.
    """
    jobs = repair.jobs
    seen = {each.key for each in (*jobs.operations, *jobs.left_out)}
    seen.update(each.operation.key for each in jobs.swallowed)
    for operation in jobs.operations:
        for beside in operation.job.while_apart:
            if not job_fits(
                workshop.catalogue, request.family, workshop.catalogue.jobs[beside.job]
            ):
                continue
            more = _more(workshop, request, operation, beside)
            added = [each for each in more if each.key not in seen]
            together = settle([*jobs.operations, *added], left_out=jobs.left_out)
            fresh = [each for each in added if each in together.operations]
            seen.update(each.key for each in added)
            if fresh:
                yield _extra(*_compared(workshop, request, repair, together, known), fresh, beside)


def _compared(
    workshop: Workshop, request: Request, repair: Repair, others: Jobs, known: Known
) -> tuple[Repair | Compared, Compared]:
    """Return a repair and the visit with other jobs, with those of the counter's changes that apply
    to both.
    """
    try:
        return repair, price_jobs(workshop, request, others, known)
    except RequestRefused:
        lasting = keep_lasting(request)
        plain = price_jobs(workshop, lasting, repair.jobs)
        return plain, price_jobs(workshop, lasting, others)


def _more(
    workshop: Workshop, request: Request, operation: Operation, beside: WhileApart
) -> list[Operation]:
    return [
        Operation(job=job, cylinder=cylinder)
        for job, cylinder in expand_job(
            workshop.catalogue,
            beside.job,
            beside.cylinders,
            operation.cylinder,
            request.family.cylinders,
        )
    ]


def _extra(
    repair: Repair | Compared, together: Compared, fresh: Sequence[Operation], beside: WhileApart
) -> Extra:
    return Extra(
        job=fresh[0].job.id,
        name=fresh[0].job.name,
        cylinders=tuple(each.cylinder for each in fresh if each.cylinder is not None),
        price=together.price - repair.price,
        minutes=together.labour.billed - repair.labour.billed,
        default=beside.default.value,
        reason=beside.reason,
        needs=tuple(added_needs(repair, together)),
        lines=together.lines,
    )
