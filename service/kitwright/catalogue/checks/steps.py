"""Steps: checks what the order of work rests on: what has to be off, on, held or done before."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitwright.catalogue.checks.records import (
    JOBS,
    chassis_file,
    every_record,
    family_file,
    layout_file,
    problem,
)
from kitwright.catalogue.checks.references import (
    Asker,
    component_problems,
    known_components,
    role_problems,
)
from kitwright.catalogue.graph import (
    RoleInstance,
    expand,
    expand_role,
    instances,
    job_fits,
    resolve_access,
    split_reference,
)
from kitwright.catalogue.model import (
    Component,
    ComponentId,
    JobScope,
    Per,
    Phase,
    RefitWork,
    TickKind,
    VisitWork,
    Work,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from kitwright.catalogue.checks.records import Found
    from kitwright.catalogue.graph import EngineGraph
    from kitwright.catalogue.model import Catalogue, Family, Job, Layout
    from kitwright.catalogue.problems import Problem


def check_steps(catalogue: Catalogue, unsound: frozenset[str]) -> Iterator[Problem]:
    """Yield references of steps that lead nowhere, work that can't be done where it is, roles that
    are fitted nowhere, and contingencies that are seen nowhere.

    Args:
        unsound: files whose references are broken; no graph is made of them.
    """
    broken = [
        *_components(catalogue),
        *_works(catalogue),
        *_ticks(catalogue),
        *_seen(catalogue),
        *_twice(catalogue),
        *_holds(catalogue),
    ]
    yield from broken
    if broken or JOBS in unsound:
        return
    for family in catalogue.families.values():
        if unsound.isdisjoint({family_file(family.id), layout_file(family.layout)}):
            graph = instances(catalogue, family, None)
            for job in catalogue.jobs.values():
                if job_fits(catalogue, family, job):
                    yield from _job(catalogue, family, graph, job)


def _components(catalogue: Catalogue) -> Iterator[Problem]:
    """Yield wrong references of components. Those of a chassis are to each layout it carries."""
    works = _job_works(catalogue)
    for layout in catalogue.layouts.values():
        known = known_components(layout)
        for component in layout.component:
            where = f"layout {layout.id}"
            yield from _component(layout_file(layout.id), component, known, works, where)
    for chassis in catalogue.chassis.values():
        own = {str(row.id): row.per_cylinder for row in chassis.component}
        for name in chassis.layouts:
            if name in catalogue.layouts:
                known = known_components(catalogue.layouts[name]) | own
                for component in chassis.component:
                    where = f"layout {name} in it"
                    yield from _component(chassis_file(chassis.id), component, known, works, where)


def _component(
    file: str, component: Component, known: dict[str, bool], of_jobs: set[str], where: str
) -> Iterator[Problem]:
    label = f"component {component.id}"
    asker = Asker(file, label, component.per_cylinder, where)
    part_of = (component.part_of,) if component.part_of else ()
    yield from component_problems(
        asker, (*part_of, *component.refit_after, *component.needs_on), known
    )
    yield from role_problems(asker, component.fits)
    minutes = (component.remove_minutes, component.refit_minutes)
    if (None in minutes) if not component.elements else (minutes != (None, None)):
        message = "give remove_minutes and refit_minutes, or elements, and not both"
        yield problem(file, label, "minutes-unclear", message)
    works = of_jobs | {row.id for row in component.refit_work}
    for row in component.refit_work:
        inner = asker._replace(label=f"{label}, refit_work {row.id}")
        own = (row.part_of,) if row.part_of else ()
        yield from component_problems(inner, (*own, *row.needs_on), known)
        for name in row.after:
            if name not in works:
                message = f"after: neither {component.id} nor a job has work {name!r}"
                yield problem(file, inner.label, "step-unknown", message)
    if component.unless_sound is not None and not component.holds:
        message = "only a component that holds something has unless_sound"
        yield problem(file, label, "hold-missing", message)
    if component.unless_sound is not None and not component.needs_on:
        message = "valves are held only with their head on: name the head in needs_on"
        yield problem(file, label, "hold-without-head", message)


def _works(catalogue: Catalogue) -> Iterator[Problem]:
    known = _anywhere(catalogue)
    works = _job_works(catalogue) | {*map(str, catalogue.visit_work)}
    for visit in catalogue.visit_work.values():
        asker = Asker(JOBS, f"visit_work {visit.id}", False, "any layout")
        yield from _work(asker, visit, known, works)
    for job in catalogue.jobs.values():
        for row in job.work:
            is_on_each = job.scope is JobScope.cylinder or row.per is Per.cylinder
            asker = Asker(JOBS, f"job {job.id}, work {row.id}", is_on_each, "any layout")
            yield from _work(asker, row, known, works)
            yield from role_problems(asker, row.fits)


def _work(
    asker: Asker, row: Work | VisitWork, known: dict[str, bool], works: set[str]
) -> Iterator[Problem]:
    part_of = (row.part_of,) if isinstance(row, Work) and row.part_of else ()
    yield from component_problems(asker, (*part_of, *row.needs_off, *row.needs_on), known)
    for name in row.after:
        if name not in works:
            message = f"after: there is no work {name!r}"
            yield problem(asker.file, asker.label, "step-unknown", message)


def _job_works(catalogue: Catalogue) -> set[str]:
    return {str(row.id) for job in catalogue.jobs.values() for row in job.work}


def _anywhere(catalogue: Catalogue) -> dict[str, bool]:
    """Return the components and aliases of all layouts."""
    known: dict[str, bool] = {}
    for layout in catalogue.layouts.values():
        known |= _named(layout)
    return known


def _of_machines(catalogue: Catalogue) -> dict[str, bool]:
    """Return the components of all chassis."""
    rows = (row for chassis in catalogue.chassis.values() for row in chassis.component)
    return {row.id: row.per_cylinder for row in rows}


def _named(layout: Layout) -> dict[str, bool]:
    known = known_components(layout)
    return known | {row.name: known.get(row.component, False) for row in layout.alias}


def _step_ids(catalogue: Catalogue) -> Iterator[str]:
    """Yield the ids of steps that are not of components, those of one kind each once."""
    yield from {row.id for job in catalogue.jobs.values() for row in job.work}
    yield from catalogue.visit_work
    yield from catalogue.ticks
    yield from {job.sublet for job in catalogue.jobs.values() if job.sublet is not None}
    yield from {found.record.id for found in _refit_works(catalogue)}  # type: ignore[attr-defined]


def _refit_works(catalogue: Catalogue) -> Iterator[Found]:
    return (found for found in every_record(catalogue) if isinstance(found.record, RefitWork))


def _twice(catalogue: Catalogue) -> Iterator[Problem]:
    """Yield unbilled steps with the id of a component or of other work; work and refit work have a
    check of their own.
    """
    others = {*_anywhere(catalogue)}
    others |= {*_of_machines(catalogue)}
    own = [*_step_ids(catalogue)]
    for name in catalogue.ticks:
        if name in others or own.count(name) > 1:
            message = "something else that is done has this id too"
            yield problem(JOBS, f"tick {name}", "step-id-twice", message)


def _ticks(catalogue: Catalogue) -> Iterator[Problem]:
    known = _anywhere(catalogue)
    ids = {*_step_ids(catalogue)}
    for tick in catalogue.ticks.values():
        label = f"tick {tick.id}"
        asker = Asker(JOBS, label, False, "any layout")
        for reference in (*tick.for_any, *tick.after, *tick.before):
            yield from _step(asker, reference, known, ids)
        yield from component_problems(asker, tick.reach, known)
        yield from component_problems(asker, tick.machine_has, known | _of_machines(catalogue))
        openings = [row.id for row in catalogue.visit_work.values() if row.phase is Phase.opening]
        if tick.if_open and not (tick.for_any and {*tick.for_any} <= {*openings}):
            message = "if_open: for_any has to name work of the phase opening, and nothing else"
            yield problem(JOBS, label, "openings-unknown", message)
        if tick.elapsed_minutes is not None and tick.kind is not TickKind.wait:
            message = "elapsed_minutes are of a wait only"
            yield problem(JOBS, label, "elapsed-stray", message)


def _step(asker: Asker, reference: str, known: dict[str, bool], ids: set[str]) -> Iterator[Problem]:
    mark, _, named = reference.partition(" ")
    if mark in ("off", "on") and named:
        if named != "*":
            yield from component_problems(asker, [named], known)
    elif reference not in ids:
        message = f'there is no step {reference!r}: give "off x", "on x" or the id of work'
        yield problem(asker.file, asker.label, "step-unknown", message)


def _seen(catalogue: Catalogue) -> Iterator[Problem]:
    known, ids = _anywhere(catalogue), {*_step_ids(catalogue)}
    for kind in catalogue.contingencies.values():
        label = f"contingency_kind {kind.id}"
        for reference in kind.seen_at:
            if reference not in ids:
                asker = Asker(JOBS, label, True, "any layout, nor work")
                yield from component_problems(asker, [reference], known)


def _holds(catalogue: Catalogue) -> Iterator[Problem]:
    """Yield things that have to be free and that nothing holds."""
    held = {
        found.record.holds
        for found in every_record(catalogue)
        if isinstance(found.record, Component)
    }
    for found in every_record(catalogue):
        for thing in getattr(found.record, "needs_free", ()):
            if thing not in held:
                message = f"needs_free: no component holds {thing!r}"
                yield problem(found.file, found.label, "hold-unknown", message)


def _job(catalogue: Catalogue, family: Family, graph: EngineGraph, job: Job) -> Iterator[Problem]:
    """Yield what can't be done, fitted or seen by a job alone on a family."""
    cylinder = 1 if job.scope is JobScope.cylinder else None
    off = _off(catalogue, family, graph, job, cylinder)
    label = f"job {job.id}"
    for row in job.work:
        on = 1 if row.per is Per.cylinder else cylinder
        for name in _present(catalogue, family, graph, row.needs_off, on):
            if name not in off:
                message = f"{row.id} needs {name} off on {family.id}, and the job leaves it on"
                yield problem(JOBS, f"{label}, work {row.id}", "work-unreachable", message)
        if row.phase is Phase.apart and row.runs:
            message = f"{row.id} runs the engine: its phase is arrival or finish"
            yield problem(JOBS, f"{label}, work {row.id}", "work-unreachable", message)
    yield from _fitted(family, graph, job, off, cylinder)
    yield from _visible(catalogue, family, graph, job, off, cylinder)


def _present(
    catalogue: Catalogue,
    family: Family,
    graph: EngineGraph,
    references: Iterable[str],
    cylinder: int | None,
) -> Iterator[str]:
    """Yield the components of a family that references mean; it may lack some of them."""
    aliases = {row.name: row.component for row in catalogue.layouts[family.layout].alias}
    for reference in references:
        name, mark = split_reference(reference)
        named = aliases.get(name, ComponentId(name))
        is_every = mark == "@" and cylinder is None
        for one in expand(f"{named}{'@*' if is_every else mark}", cylinder, family.cylinders):
            if one in graph.nodes:
                yield one


def _off(
    catalogue: Catalogue, family: Family, graph: EngineGraph, job: Job, cylinder: int | None
) -> set[str]:
    """Return all that may have to come off for a job, every branch of OR groups among it."""
    waiting = [*resolve_access(catalogue, family, job.access, cylinder)]
    for visit in job.visit:
        if visit in catalogue.visit_work:
            access = catalogue.visit_work[visit].access
            waiting += _present(catalogue, family, graph, access, None)
    found: set[str] = set()
    while waiting:
        name = waiting.pop()
        if name in graph.nodes and name not in found:
            found.add(name)
            node = graph.nodes[name]
            waiting += (*node.needs_all, *(one for group in node.needs_any for one in group))
    return found


def _fitted(
    family: Family, graph: EngineGraph, job: Job, off: set[str], cylinder: int | None
) -> Iterator[Problem]:
    places: set[RoleInstance] = set()
    for name in off:
        node = graph.nodes[name]
        places.update(node.renews)
        for role in node.component.fits:
            places.update(expand_role(role, node.cylinder, family.cylinders))
    for row in job.work:
        for role in row.fits:
            places.update(expand_role(role, cylinder, family.cylinders))
    for role in job.replaces:
        if not places.issuperset(expand_role(role, cylinder, family.cylinders)):
            message = (
                f"nothing fits {role} on {family.id}: name it in `fits` of the work, or of a "
                "component that the job takes off"
            )
            yield problem(JOBS, f"job {job.id}", "role-fitted-nowhere", message)


def _visible(
    catalogue: Catalogue,
    family: Family,
    graph: EngineGraph,
    job: Job,
    off: set[str],
    cylinder: int | None,
) -> Iterator[Problem]:
    works = {row.id for row in job.work}
    works |= {row.id for name in off for row in graph.nodes[name].component.refit_work}
    works |= {job.sublet} if job.sublet is not None else set()  # type: ignore[arg-type]
    for row in job.contingency:
        kind = catalogue.contingencies.get(row.id)
        if kind is None:
            continue
        components = [one for one in kind.seen_at if one not in works]
        seen = {*_present(catalogue, family, graph, components, cylinder)}
        if works.isdisjoint(kind.seen_at) and off.isdisjoint(seen):
            message = f"no step of the job on {family.id} can show it: see its seen_at"
            yield problem(
                JOBS, f"job {job.id}, contingency {row.id}", "contingency-unseen", message
            )
