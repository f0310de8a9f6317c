"""Proof: the part of `check-catalog` that verifies a catalogue by trying every possible repair."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

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
from kitwright.stages.request import Asked, Request
from kitwright.stages.why import place
from kitwright.stages.work import Jobs, Operation
from kitwright.visit import quote_jobs
from kitwright.workshop import Workshop


class Variant(Struct, frozen=True):
    """One kind of engine within a family: a serial number of its range, and a build code if rows
    depend on one.
    """

    serial: int
    build_code: str | None


class Proof(Struct, frozen=True):
    """The number of repairs that were planned, and all errors found."""

    repairs: int
    problems: tuple[Problem, ...]


def prove_catalogue(catalogue: Catalogue, on: date) -> Proof:
    """Return the result of trying every job on every family, chassis, cylinder, variant and shop.

    It verifies that each repair can be planned and priced, that every role has exactly one item,
    and that the shop can buy every item that it needs. `on` is the day whose tax rates are used;
    supply is checked without a date.
    """
    repairs = 0
    problems: dict[Problem, None] = {}
    for shop in catalogue.shops.values():
        # today's stock says nothing about who sells an item
        workshop = Workshop(catalogue, structs.replace(shop, stock=()))
        for request, operation, family in _everything(catalogue, shop, on):
            repairs += 1
            for message in _prove(workshop, request, operation):
                chassis = request.chassis
                where = "a loose engine" if chassis is None else f"chassis {chassis.id}"
                problem = Problem(
                    file=f"families/{family.id}.toml",
                    record=f"{operation.text} in {where}, shop {shop.id}, serial "
                    f"{request.asked.serial}",
                    code="repair-not-whole",
                    message=message,
                )
                problems[problem] = None
    return Proof(repairs, tuple(problems))


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
    area = catalogue.tax_areas[shop.tax_area]
    for family in catalogue.families.values():
        carriers = [one for one in catalogue.chassis.values() if family.layout in one.layouts]
        for chassis in (None, *carriers):
            for variant in variants(catalogue, family):
                for operation in _operations(catalogue, family):
                    asked = _asked(family, chassis, variant, on)
                    yield (
                        Request(
                            asked=asked,
                            family=family,
                            chassis=chassis,
                            diagnoses=(),
                            jobs=((operation.job, operation.cylinder),),
                            add_jobs=(),
                            leave_out=(),
                            tax_area=area,
                        ),
                        operation,
                        family,
                    )


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
