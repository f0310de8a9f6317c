"""A small engine made for one test: components, a chassis around it, jobs on it."""

from __future__ import annotations

from msgspec import structs
from tests.stages.workbench import HIRE_YARD, V68, figure, starter

from kitwright.catalogue.model import (
    Catalogue,
    Chassis,
    ChassisId,
    ChassisRule,
    Component,
    ComponentId,
    Family,
    FamilyId,
    Job,
    JobId,
    JobScope,
    LabourClass,
    Layout,
    LayoutId,
    RefitWork,
    Seize,
    Shop,
    Work,
    WorkId,
)
from kitwright.stages.request import Rust
from kitwright.stages.work import AccessPlan, Operation, Teardown, plan_access

TECH = LabourClass("tech")


def part_of(
    name: str,
    remove: int,
    refit: int = 0,
    *needs: str,
    any_of: tuple[tuple[str, ...], ...] = (),
    is_cramped: bool = False,
    seize: Seize = Seize.none,
    work: tuple[RefitWork, ...] = (),
    labour_class: LabourClass = TECH,
    per_cylinder: bool = False,
) -> Component:
    """Return a component: minutes off and on, and what must be off before it."""
    return Component(
        id=ComponentId(name),
        remove_minutes=remove,
        refit_minutes=refit,
        needs_all=needs,
        needs_any=any_of,
        cramped=is_cramped,
        seize=seize,
        refit_work=work,
        labour_class=labour_class,
        per_cylinder=per_cylinder,
    )


def family(ratio: str = "1", cylinders: int = 2) -> Family:
    return structs.replace(
        starter().families[V68],
        id=FamilyId("SMALL"),
        layout=LayoutId("L"),
        cylinders=cylinders,
        minutes_ratio=figure(ratio),
        flags=(),
        override=(),
    )


def machine(
    *components: Component, rules: tuple[ChassisRule, ...] = (), cramped: str = "1"
) -> Chassis:
    return Chassis(
        id=ChassisId("AROUND"),
        name="Around",
        kind="frame",
        layouts=(LayoutId("L"),),
        cramped_factor=figure(cramped),
        component=components,
        rule=rules,
    )


def catalogue_of(*components: Component, of: Family | None = None) -> Catalogue:
    """Return the starter catalogue with the small engine's layout and family in it."""
    small = of or family()
    layout = Layout(id=LayoutId("L"), component=components)
    return structs.replace(
        starter(),
        layouts={**starter().layouts, layout.id: layout},
        families={**starter().families, small.id: small},
    )


def shop() -> Shop:
    return starter().shops[HIRE_YARD]


def task(
    name: str,
    *access: str,
    work: tuple[Work, ...] = (),
    cylinder: int | None = None,
    visit: tuple[str, ...] = (),
) -> Operation:
    """Return a job on what must be off for it."""
    job = Job(
        id=JobId(name),
        name=name,
        scope=JobScope.engine if cylinder is None else JobScope.cylinder,
        access=access,
        work=work,
        visit=visit,  # type: ignore[arg-type]
    )
    return Operation(job=job, cylinder=cylinder)


def bench(name: str, minutes: int, labour_class: LabourClass = TECH) -> Work:
    return Work(id=WorkId(name), minutes=minutes, labour_class=labour_class)


def plan(
    components: tuple[Component, ...],
    *operations: Operation,
    around: Chassis | None = None,
    rust: Rust = Rust.none,
    ratio: str = "1",
) -> AccessPlan:
    """Return the access plan of some jobs on an engine of these components."""
    return plan_access(teardown(components, around=around, ratio=ratio), operations, rust)


def teardown(
    components: tuple[Component, ...], *, around: Chassis | None = None, ratio: str = "1"
) -> Teardown:
    """Return the teardown of an engine of these components."""
    small = family(ratio)
    return Teardown(catalogue_of(*components, of=small), shop(), small, around)


def off(found: AccessPlan) -> list[str]:
    """Return what comes off, in order."""
    return [removal.instance.id for removal in found.removals]
