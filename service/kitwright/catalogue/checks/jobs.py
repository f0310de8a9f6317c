"""Jobs: checks the access, references and contingencies of jobs and visit work."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, NamedTuple

from kitwright.catalogue.checks.conditions import condition_problems
from kitwright.catalogue.checks.records import DIAGNOSIS, JOBS, layout_file, problem
from kitwright.catalogue.checks.references import (
    Asker,
    component_problems,
    known_components,
    role_problems,
)
from kitwright.catalogue.checks.walk import find_cycle
from kitwright.catalogue.graph import (
    ReferenceMalformed,
    ReferenceUnresolved,
    job_fits,
    resolve_access,
)
from kitwright.catalogue.model import Cylinders, JobScope

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from kitwright.catalogue.model import (
        Addition,
        Catalogue,
        Contingency,
        ContingencyId,
        DiagnosisRules,
        Job,
        JobId,
        Layout,
        VisitWork,
    )
    from kitwright.catalogue.problems import Problem


class Reference(NamedTuple):
    """A reference to a job: its place, and the values of `cylinders` that are allowed there."""

    file: str
    label: str
    job: JobId
    cylinders: Cylinders | None
    allowed: frozenset[Cylinders]


def check_job_references(catalogue: Catalogue) -> Iterator[Problem]:
    """Yield access and roles of jobs and visit work that exist on no layout."""
    for work in catalogue.visit_work.values():
        asker = Asker(JOBS, f"visit_work {work.id}", False, "any layout")
        yield from _access(catalogue, asker, work.access)
    for job in catalogue.jobs.values():
        is_per_cylinder = job.scope is JobScope.cylinder
        asker = Asker(JOBS, f"job {job.id}", is_per_cylinder, "any layout")
        yield from _access(catalogue, asker, job.access)
        yield from role_problems(asker, job.replaces)
        for row in job.contingency:
            roles = [one.role for one in row.add if one.role is not None]
            yield from role_problems(
                asker._replace(label=f"{asker.label}, contingency {row.id}"), roles
            )


def check_jobs(catalogue: Catalogue, unsound: frozenset[str]) -> Iterator[Problem]:
    """Yield errors of jobs, and of the references to jobs in diagnoses and gates.

    Args:
        unsound: files whose references are broken; checks that need them are skipped.
    """
    turning_up: set[ContingencyId] = set()
    for job in catalogue.jobs.values():
        label = f"job {job.id}"
        for name in job.visit:
            if name not in catalogue.visit_work:
                yield problem(JOBS, label, "visit-work-unknown", f"there is no visit work {name!r}")
        for row in job.contingency:
            turning_up.add(row.id)
            yield from _contingency(catalogue, f"{label}, contingency {row.id}", row)
        yield from _rivals(catalogue, label, job)
        if JOBS not in unsound:
            yield from _visits(catalogue, job, label, unsound)
    for kind in catalogue.contingencies:
        if kind not in turning_up:
            message = "no job refers to it, so no quote can ever name it"
            yield problem(JOBS, f"contingency {kind}", "contingency-unused", message)
    for reference in (*_references(catalogue), *_diagnosed(catalogue.rules)):
        yield from _reference(catalogue, reference)
    yield from _supersedes(catalogue)


def _access(catalogue: Catalogue, asker: Asker, access: Iterable[str]) -> Iterator[Problem]:
    """Yield references that no layout resolves. If each layout gives an error, the most specific
    one is reported.
    """
    for reference in access:
        tried = [
            list(component_problems(asker, [reference], _known(row)))
            for row in catalogue.layouts.values()
        ]
        if tried and all(tried):
            # A known name with the wrong mark is a better hint than an unknown name.
            yield min(
                (found[0] for found in tried), key=lambda one: one.code == "component-unknown"
            )


def _known(layout: Layout) -> dict[str, bool]:
    known = known_components(layout)
    aliases = {row.name: known[row.component] for row in layout.alias if row.component in known}
    return known | aliases


def _visits(
    catalogue: Catalogue, job: Job, label: str, unsound: frozenset[str]
) -> Iterator[Problem]:
    """Yield visit work whose access is missing on an engine that the job itself fits."""
    works: list[VisitWork] = [
        catalogue.visit_work[name] for name in job.visit if name in catalogue.visit_work
    ]
    for family in catalogue.families.values():
        if layout_file(family.layout) in unsound or family.layout not in catalogue.layouts:
            continue
        if job_fits(catalogue, family, job):
            for work in works:
                try:
                    resolve_access(catalogue, family, work.access, None)
                except (ReferenceMalformed, ReferenceUnresolved) as error:
                    message = f"{work.id} cannot be done on {family.id}: {error}"
                    yield problem(JOBS, label, "visit-work-unreachable", message)


def _references(catalogue: Catalogue) -> Iterator[Reference]:
    for job in catalogue.jobs.values():
        is_per_cylinder = job.scope is JobScope.cylinder
        allowed = frozenset({Cylinders.all} | ({Cylinders.own} if is_per_cylinder else set()))
        # A contingency of an engine job affects some cylinder that is not known in advance.
        turning_up = allowed if is_per_cylinder else allowed | {Cylinders.one}
        label = f"job {job.id}"
        for offer in job.while_apart:
            yield Reference(JOBS, f"{label}, while_apart", offer.job, offer.cylinders, allowed)
        for row in job.contingency:
            where = f"{label}, contingency {row.id}"
            for addition in row.add:
                if addition.job is not None:
                    yield Reference(JOBS, where, addition.job, addition.cylinders, turning_up)


def _diagnosed(rules: DiagnosisRules) -> Iterator[Reference]:
    for row in rules.diagnosis:
        is_per_cylinder = row.scope is JobScope.cylinder
        allowed = frozenset({Cylinders.all} | ({Cylinders.own} if is_per_cylinder else set()))
        for scope in ("least", "recommended", "thorough"):
            label = f"diagnosis {row.code}, scopes.{scope}"
            for one in getattr(row.scopes, scope):
                yield Reference(DIAGNOSIS, label, one.job, one.cylinders, allowed)


def _reference(catalogue: Catalogue, reference: Reference) -> Iterator[Problem]:
    file, label, name, cylinders, allowed = reference
    job = catalogue.jobs.get(name)
    if job is None:
        yield problem(file, label, "job-unknown", f"there is no job {name!r}")
    elif job.scope is JobScope.engine and cylinders is not None:
        message = f"{name} applies to the whole engine: leave out cylinders"
        yield problem(file, label, "cylinders-misstated", message)
    elif job.scope is JobScope.cylinder and cylinders not in allowed:
        words = " or ".join(sorted(allowed))
        message = f"{name} applies to one cylinder: give cylinders as {words}"
        yield problem(file, label, "cylinders-misstated", message)


def _supersedes(catalogue: Catalogue) -> Iterator[Problem]:
    edges: dict[str, list[str]] = {}
    for job in catalogue.jobs.values():
        edges[job.id] = [name for name in job.supersedes if name in catalogue.jobs]
        for name in job.supersedes:
            if name not in catalogue.jobs:
                message = f"supersedes: there is no job {name!r}"
                yield problem(JOBS, f"job {job.id}", "job-unknown", message)
    cycle = find_cycle(edges)
    if cycle is not None:
        message = "each supersedes the next: " + " -> ".join(cycle)
        yield problem(JOBS, f"job {cycle[0]}", "supersedes-loop", message)


def _contingency(catalogue: Catalogue, label: str, row: Contingency) -> Iterator[Problem]:
    if row.id not in catalogue.contingencies:
        message = f"there is no contingency {row.id!r} with a name and text"
        yield problem(JOBS, label, "contingency-unknown", message)
    if (row.raised_probability is None) is not (not row.raised_by):
        message = "raised_by and raised_probability belong together"
        yield problem(JOBS, label, "raise-incomplete", message)
    elif row.raised_probability is not None and row.raised_probability < row.probability:
        message = f"raised_probability {row.raised_probability} is below {row.probability}"
        yield problem(JOBS, label, "raise-lowers", message)
    if not row.add:
        yield problem(JOBS, label, "addition-unclear", "a contingency must add a job or a role")
    for addition in row.add:
        yield from _addition(label, addition)
    for condition in row.raised_by:
        yield from condition_problems(catalogue.rules, JOBS, label, condition)


def _rivals(catalogue: Catalogue, label: str, job: Job) -> Iterator[Problem]:
    """Yield the groups of contingencies, at most one of which is found, that are too probable."""
    sums: dict[str, Decimal] = {}
    for row in job.contingency:
        kind = catalogue.contingencies.get(row.id)
        if kind is not None and kind.one_of is not None:
            chance = row.raised_probability or row.probability
            sums[kind.one_of] = sums.get(kind.one_of, Decimal(0)) + chance
    for group, together in sums.items():
        if together > 1:
            message = f"the contingencies of {group!r} exclude each other, and sum to {together}"
            yield problem(JOBS, label, "rivals-too-probable", message)


def _addition(label: str, addition: Addition) -> Iterator[Problem]:
    if (addition.job is None) is (addition.role is None):
        yield problem(JOBS, label, "addition-unclear", "give either a job or a role")
    elif addition.role is not None and addition.cylinders is not None:
        message = "leave out cylinders: the role says which: role, role@ or role@*"
        yield problem(JOBS, label, "addition-unclear", message)
