"""Proof: the part of `check-catalog` that verifies a catalogue by trying every possible repair."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from itertools import combinations, permutations

from msgspec import Struct, structs

from kitwright.catalogue.graph import job_fits
from kitwright.catalogue.model import (
    LOOSE,
    SERIAL_MAX,
    Catalogue,
    Chassis,
    Family,
    Job,
    JobScope,
    Shop,
)
from kitwright.catalogue.problems import Problem
from kitwright.errors import KitwrightError
from kitwright.rehearsal import rehearse
from kitwright.stages.request import Asked, Condition, Debris, Request
from kitwright.stages.why import place
from kitwright.stages.work import Jobs, Labour, Operation, OperationKey, settle
from kitwright.stages.work_plan import Visit
from kitwright.visit import quote_jobs
from kitwright.workshop import Workshop


class Variant(Struct, frozen=True):
    """One kind of engine within a family: a serial number of its range, and a build code if rows
    depend on one.
    """

    serial: int
    build_code: str | None


class Proof(Struct, frozen=True):
    """The number of repairs that were planned, of work plans that were gone through, and all errors
    found.
    """

    repairs: int
    plans: int
    problems: tuple[Problem, ...]


def prove_catalogue(catalogue: Catalogue, on: date) -> Proof:
    """Return the result of trying every job on every family, chassis, cylinder, variant and shop,
    and of going through the work plans of every job and of every two jobs of a family.

    It verifies that each repair can be planned and priced, that every role has exactly one item,
    that the shop can buy every item that it needs, that hands can follow each plan, and that no job
    is billed more with another one than alone. `on` is the
    day whose tax rates are used; supply is checked without a date.
    """
    repairs = 0
    problems: dict[Problem, None] = {}
    for found in prove_repairs(catalogue, on):
        repairs += 1
        problems |= dict.fromkeys(found)
    plans = 0
    for found in prove_plans(catalogue, on):
        plans += 1
        problems |= dict.fromkeys(found)
    return Proof(repairs, plans, tuple(problems))


def prove_repairs(catalogue: Catalogue, on: date) -> Iterator[tuple[Problem, ...]]:
    """Yield the errors of the repair of each job, family, chassis, cylinder, variant and shop."""
    for shop in catalogue.shops.values():
        # today's stock says nothing about who sells an item
        workshop = Workshop(catalogue, structs.replace(shop, stock=()))
        for request, operation, family in _everything(catalogue, shop, on):
            yield tuple(
                Problem(
                    file=f"families/{family.id}.toml",
                    record=f"{operation.text} in {_where(request)}, shop {shop.id}, serial "
                    f"{request.asked.serial}",
                    code="repair-not-whole",
                    message=message,
                )
                for message in _prove(workshop, request, operation)
            )


def prove_plans(catalogue: Catalogue, on: date) -> Iterator[tuple[Problem, ...]]:
    """Yield the errors of each work plan: of every job on every family, chassis and cylinder, and
    of every two jobs of a family whose plans alone have none.

    The machine is as bad as it can be, so that all work there is has its step. Plans do not depend
    on the shop's prices, so one shop stands for all. Of pairs with the same steps, and of pairs
    that differ only in which cylinder is which, the first is gone through.
    """
    condition = Condition(debris=Debris.heavy, previous_work=True)
    shop = next(iter(catalogue.shops.values()))
    workshop = Workshop(catalogue, shop)
    for family in catalogue.families.values():
        carriers = [one for one in catalogue.chassis.values() if family.layout in one.layouts]
        every = [*_operations(catalogue, family)]
        for chassis in (None, *carriers):
            asked = structs.replace(
                _asked(family, chassis, variants(catalogue, family)[0], on), condition=condition
            )
            request = _request(catalogue, shop, asked, family, chassis)
            alone = {one.key: _rehearsed(workshop, request, (one,)) for one in every}
            for one in every:
                yield tuple(_plan_problems(request, (one,), alone[one.key]))
            seen: set[tuple[OperationKey, ...]] = set()
            for together in combinations(every, 2):
                operations = settle(together).operations
                alike = _alike(operations, family.cylinders)
                is_wrong = any(alone[one.key] for one in operations)
                if len(operations) > 1 and not is_wrong and alike not in seen:
                    seen.add(alike)
                    found = _rehearsed(workshop, request, operations)
                    yield tuple(_plan_problems(request, operations, found))


def _alike(operations: Sequence[Operation], cylinders: int) -> tuple[OperationKey, ...]:
    """Return the same for operations that differ only in which cylinder is which."""
    keys = [one.key for one in operations]
    return min(
        tuple(sorted((job, cylinder and order[cylinder - 1]) for job, cylinder in keys))
        for order in permutations(range(1, cylinders + 1))
    )


def _rehearsed(
    workshop: Workshop, request: Request, operations: tuple[Operation, ...]
) -> tuple[str, ...]:
    """Return the errors of the work plan of some jobs."""
    try:
        access = workshop.access(request, operations)
        labour = workshop.labour(request, operations)
        needs = workshop.needs.of(workshop.shop, request, operations, labour)
    except KitwrightError:
        # an error of the repair, not of its plan
        return ()
    visit = Visit(operations=operations, access=access, labour=labour, needs=needs)
    try:
        plan = workshop.work_plan(request, visit)
    except KitwrightError as error:
        return (str(error),)
    engine = workshop.bench(request).teardown.engine
    return (
        *rehearse(workshop.catalogue, workshop.shop, request.family, engine, visit, plan),
        *_dearer_together(workshop, request, operations, labour),
    )


def _dearer_together(
    workshop: Workshop, request: Request, operations: Iterable[Operation], labour: Labour
) -> Iterator[str]:
    """Yield the jobs that are billed more together than alone."""
    for operation in operations:
        here = labour.minutes_of(operation.key)
        alone = workshop.minutes_alone(request, operation)
        if here > alone:
            yield f"{operation.text} is billed {here} min here, though {alone} min alone"


def _plan_problems(
    request: Request, operations: Sequence[Operation], messages: Iterable[str]
) -> Iterator[Problem]:
    for message in messages:
        yield Problem(
            file=f"families/{request.family.id}.toml",
            record=f"{' with '.join(one.text for one in operations)} in {_where(request)}",
            code="work-not-in-order",
            message=message,
        )


def _where(request: Request) -> str:
    return "a loose engine" if request.chassis is None else f"chassis {request.chassis.id}"


def _request(
    catalogue: Catalogue, shop: Shop, asked: Asked, family: Family, chassis: Chassis | None
) -> Request:
    return Request(
        asked=asked,
        family=family,
        chassis=chassis,
        diagnoses=(),
        jobs=(),
        add_jobs=(),
        leave_out=(),
        tax_area=catalogue.tax_areas[shop.tax_area],
    )


def variants(catalogue: Catalogue, family: Family) -> tuple[Variant, ...]:
    """Return one variant for every combination of serial number range and build code that
    fitments distinguish.
    """
    rows = catalogue.fitments[family.id]
    ends = {row.serial_to + 1 for row in rows if row.serial_to < SERIAL_MAX}
    starts = sorted({row.serial_from for row in rows} | ends | {0})
    codes = sorted({code for row in rows for code in row.build_codes})
    return tuple(Variant(serial, code) for serial in starts for code in (codes or (None,)))


def _everything(
    catalogue: Catalogue, shop: Shop, on: date
) -> Iterator[tuple[Request, Operation, Family]]:
    for family in catalogue.families.values():
        carriers = [one for one in catalogue.chassis.values() if family.layout in one.layouts]
        for chassis in (None, *carriers):
            for variant in variants(catalogue, family):
                for operation in _operations(catalogue, family):
                    asked = _asked(family, chassis, variant, on)
                    request = _request(catalogue, shop, asked, family, chassis)
                    jobs = ((operation.job, operation.cylinder),)
                    yield structs.replace(request, jobs=jobs), operation, family


def _operations(catalogue: Catalogue, family: Family) -> Iterator[Operation]:
    for job in catalogue.jobs.values():
        if job_fits(catalogue, family, job):
            for cylinder in _cylinders(family, job):
                yield Operation(job=job, cylinder=cylinder)


def _cylinders(family: Family, job: Job) -> tuple[int | None, ...]:
    if job.scope is JobScope.engine:
        return (None,)
    return tuple(range(1, family.cylinders + 1))


def _asked(family: Family, chassis: Chassis | None, variant: Variant, on: date) -> Asked:
    return Asked(
        family=family.id,
        on=on,
        serial=variant.serial,
        build_code=variant.build_code,
        chassis=LOOSE if chassis is None else chassis.id,
    )


def _prove(workshop: Workshop, request: Request, operation: Operation) -> Iterator[str]:
    """Yield the errors of one repair."""
    try:
        jobs = Jobs(operations=(operation,), swallowed=(), left_out=())
        repair = quote_jobs(workshop, request, jobs)
    except KitwrightError as error:
        yield str(error)
        return
    for need in repair.kit.questions:
        fits = " and ".join(need.options)
        yield f"{place(need.role, need.cylinder)}: both {fits} fit"
    for short in repair.kit.unfilled:
        yield f"no supplier has {short.item}"
    renewed = {
        (role, cylinder)
        for removal in repair.plan.removals
        for role, cylinder in removal.instance.renews
    }
    held = {(need.role, need.cylinder) for need in repair.kit.needs}
    for role, cylinder in sorted(renewed - held, key=str):
        yield f"{place(role, cylinder)} is replaced during reassembly, but is not in the kit"
