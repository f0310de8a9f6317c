"""Work plans of jobs of the starter catalogue, or of a small one, and what is wrong with a plan."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

from msgspec import structs
from tests.stages.workbench import HIRE_YARD, MONDAY, starter

from kitwright.catalogue.model import (
    LOOSE,
    Catalogue,
    Chassis,
    ChassisId,
    Family,
    FamilyId,
    JobId,
)
from kitwright.proof import Variant, variants
from kitwright.rehearsal import rehearse
from kitwright.stages.request import Asked, Condition, Request, Terms
from kitwright.stages.work import Operation, settle
from kitwright.stages.work_plan import Step, Visit, WorkPlan
from kitwright.workshop import Workshop


class Planned:
    """A visit, its plan, and what the independent checker says of it."""

    def __init__(
        self,
        workshop: Workshop,
        request: Request,
        operations: Sequence[Operation],
        sound: frozenset[int] = frozenset(),
    ) -> None:
        self.workshop = workshop
        self.request = request
        operations = settle(operations).operations
        access = workshop.access(request, operations)
        labour = workshop.labour(request, operations)
        needs = workshop.needs.of(workshop.shop, request, operations, labour)
        self.visit = Visit(operations=operations, access=access, labour=labour, needs=needs)
        self.plan = workshop.work_plan(request, self.visit, sound)

    @property
    def names(self) -> list[str]:
        return [step.name for step in self.plan.steps]

    def wrong(self, plan: WorkPlan | None = None) -> tuple[str, ...]:
        """Return what is wrong with the plan, or with another one for the same visit."""
        engine = self.workshop.bench(self.request).teardown.engine
        catalogue, shop = self.workshop.catalogue, self.workshop.shop
        return rehearse(catalogue, shop, self.request.family, engine, self.visit, plan or self.plan)

    def in_order(self, *names: str) -> bool:
        """Return whether some steps are there in this order."""
        places = [self.names.index(name) for name in names]
        return places == sorted(places)

    def with_steps(self, steps: Sequence[Step]) -> WorkPlan:
        return structs.replace(self.plan, steps=tuple(steps))


@cache
def workshop() -> Workshop:
    return Workshop(starter(), starter().shops[HIRE_YARD])


def request_of(
    family: Family,
    chassis: Chassis | None,
    *,
    terms: Terms | None = None,
    condition: Condition | None = None,
    catalogue: Catalogue | None = None,
) -> Request:
    known = catalogue or starter()
    first = variants(known, family)[0] if family.id in known.fitments else Variant(0, None)
    asked = Asked(
        family=family.id,
        on=MONDAY,
        serial=first.serial,
        build_code=first.build_code,
        chassis=LOOSE if chassis is None else chassis.id,
        terms=terms or Terms(),
        condition=condition or Condition(),
    )
    return Request(
        asked=asked,
        family=family,
        chassis=chassis,
        diagnoses=(),
        jobs=(),
        add_jobs=(),
        leave_out=(),
        tax_area=known.tax_areas[known.shops[HIRE_YARD].tax_area],
    )


def planned(
    family: str,
    chassis: str | None,
    *jobs: tuple[str, int | None],
    sound: frozenset[int] = frozenset(),
    terms: Terms | None = None,
    condition: Condition | None = None,
) -> Planned:
    """Return the plan of some jobs, each with its cylinder, on an engine of the starter's."""
    catalogue = starter()
    around = None if chassis is None else catalogue.chassis[ChassisId(chassis)]
    request = request_of(
        catalogue.families[FamilyId(family)], around, terms=terms, condition=condition
    )
    operations = [
        Operation(job=catalogue.jobs[JobId(name)], cylinder=cylinder) for name, cylinder in jobs
    ]
    return Planned(workshop(), request, operations, sound)
