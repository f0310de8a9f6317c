"""Courses: up to five ways to put one fault right, each a whole quote, and what speaks for which.

The courses of a request share its findings and all that the workshop remembers: their drafts, kits
and labour.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from typing import Final

from msgspec import structs

from kitwright.catalogue.graph import job_fits
from kitwright.catalogue.model import Catalogue, Job, Replacement, Scope, Shop
from kitwright.flow import find_work, on_basis, quote_repair
from kitwright.stages.outcome import (
    Advice,
    AdviceLevel,
    AnotherMachine,
    Course,
    CourseName,
    Outcome,
    Worth,
)
from kitwright.stages.price import DIAGNOSTIC_FEE, price_of
from kitwright.stages.request import (
    Asked,
    AskedJob,
    NoDiagnosis,
    Request,
    RequestRefused,
    read_request,
)
from kitwright.stages.supply import working_day
from kitwright.stages.why import Fact, Why
from kitwright.stages.work import Jobs, Operation, choose_jobs, includes
from kitwright.workshop import Workshop

REPLACE: Final = "replace"
"""In a request: the courses that replace instead of repairing."""
_SCOPES: Final = (CourseName.least, CourseName.recommended, CourseName.thorough)
_REPLACEMENTS: Final = {
    CourseName.short_block: Replacement.short_block,
    CourseName.engine: Replacement.engine,
}
_OF_VALUE: Final = {
    AdviceLevel.none: "repair-share-of-value",
    AdviceLevel.consider: "repair-above-value-share",
    AdviceLevel.strong: "repair-far-above-value-share",
}
_OF_MACHINE: Final = {
    AdviceLevel.none: "repair-share-of-machine",
    AdviceLevel.consider: "repair-above-machine-share",
    AdviceLevel.strong: "repair-far-above-machine-share",
}


def change_of(catalogue: Catalogue, course: CourseName) -> tuple[Scope, tuple[Job, ...]]:
    """Return the scope and the added jobs by which a request asks for a course."""
    if course in _SCOPES:
        return Scope(course.value), ()
    wanted = _REPLACEMENTS[course]
    jobs = [job for job in catalogue.jobs.values() if job.replacement is wanted]
    return Scope.recommended, tuple(jobs[:1])


def quote_courses(
    workshop: Workshop, asked: Asked, wanted: Collection[str], worth: Worth
) -> Outcome:
    """Return the quote of the advised course, with all courses that were asked for.

    A course that comes to the same jobs as one before it is named, but not priced twice. Findings
    that do not support a repair have no courses. A replacement is a course only where it takes the
    place of some of the repair.

    Args:
        wanted: scopes, and `REPLACE`.
        worth: what is known of the machine's worth, for the advice.

    Raises: RequestRefused, and the errors of the stages.
    """
    if asked.findings is None and not asked.diagnoses:
        read_request(workshop.catalogue, workshop.shop, asked)
        raise RequestRefused([NoDiagnosis().at("courses")])
    work = find_work(workshop, asked)
    if not work.asked.diagnoses:
        return on_basis(workshop, quote_repair(workshop, work.asked, work.sound), work)
    plain = read_request(workshop.catalogue, workshop.shop, work.asked)
    jobs = dict(_jobs_of(workshop.catalogue, plain))
    found = []
    for names in _alike(jobs, wanted):
        name = _main(names)
        outcome = quote_repair(workshop, _as_course(workshop, work.asked, name), work.sound)
        found.append(
            Course(
                name=name,
                also=tuple(each for each in names if each is not name),
                outcome=outcome,
                ready_on=_ready_on(workshop.shop, outcome),
                unfixed=tuple(_left(jobs, name)),
            )
        )
    machine = _another_machine(found, worth) if REPLACE in wanted else None
    courses = tuple(map(_compared(found, machine), found))
    advised = advise(courses)
    return structs.replace(
        on_basis(workshop, advised.outcome, work),
        courses=courses,
        advised=advised.name,
        advice=_advice(workshop.shop, courses, advised, worth, machine),
        machine=machine,
    )


def _another_machine(found: Sequence[Course], worth: Worth) -> AnotherMachine | None:
    """Return another machine beside the courses of a repair, None if its price or the worth of the
    machine at hand is not known.
    """
    if worth.value is None or worth.replacement_price is None:
        return None
    named = {name: one for one in found for name in one.names}
    usual = named.get(CourseName.recommended, found[-1]).outcome
    fee = [line for line in usual.repair.lines if line.code == DIAGNOSTIC_FEE]
    return AnotherMachine(
        price=worth.replacement_price,
        owed=price_of(usual.shop, usual.request, fee),
        value=worth.value,
        unfixed=usual.repair.jobs.operations,
    )


def advise(courses: Sequence[Course]) -> Course:
    """Return the course to advise: the recommended repair, or the best of the courses that are
    better and cost no more.
    """
    named = {name: one for one in courses for name in one.names}
    best = named.get(CourseName.recommended, courses[0])
    better = [one for one in courses[courses.index(best) + 1 :] if one.price <= best.price]
    return better[-1] if better else best


def _jobs_of(catalogue: Catalogue, request: Request) -> Iterator[tuple[CourseName, Jobs]]:
    """Yield the courses of a request with their jobs, the least first. A replacement is one only if
    it takes the place of some of the usual repair.
    """
    usual: Jobs | None = None
    for name in CourseName:
        scope, added = change_of(catalogue, name)
        if not all(job_fits(catalogue, request.family, job) for job in added):
            continue
        asked = structs.replace(request.asked, scope=scope)
        jobs = choose_jobs(
            catalogue,
            structs.replace(
                request,
                asked=asked,
                add_jobs=(*request.add_jobs, *((job, None) for job in added)),
            ),
        )
        if name in _SCOPES:
            yield name, jobs
            usual = jobs if name is CourseName.recommended else usual
        elif added and usual is not None and _takes_place(jobs, added[0], usual):
            yield name, jobs


def _takes_place(jobs: Jobs, job: Job, usual: Jobs) -> bool:
    """Return whether a replacement is done, and is or includes some of the usual repair."""
    done = next((each for each in jobs.operations if each.job.id == job.id), None)
    return done is not None and any(
        done.key == each.key or includes(done, each) for each in usual.operations
    )


def _alike(jobs: Mapping[CourseName, Jobs], wanted: Collection[str]) -> list[list[CourseName]]:
    """Return the courses that are wanted, those with the same jobs together."""
    alike: dict[object, list[CourseName]] = {}
    for name, each in jobs.items():
        if name.value in wanted or (name in _REPLACEMENTS and REPLACE in wanted):
            alike.setdefault(tuple(one.key for one in each.operations), []).append(name)
    return list(alike.values())


def _main(names: Sequence[CourseName]) -> CourseName:
    """Return the name that says most of several for the same jobs."""
    if names[-1] in _REPLACEMENTS:
        return names[-1]
    return CourseName.recommended if CourseName.recommended in names else names[0]


def _as_course(workshop: Workshop, asked: Asked, name: CourseName) -> Asked:
    scope, added = change_of(workshop.catalogue, name)
    jobs = tuple(AskedJob(job.id) for job in added)
    return structs.replace(asked, scope=scope, add_jobs=(*asked.add_jobs, *jobs))


def _left(jobs: Mapping[CourseName, Jobs], name: CourseName) -> Iterator[Operation]:
    """Yield the jobs of better repairs that a course neither does nor includes."""
    own = jobs[name].operations
    seen = {each.key for each in own}
    for other in _SCOPES:
        if name in _SCOPES and _SCOPES.index(other) <= _SCOPES.index(name):
            continue
        for operation in jobs[other].operations:
            is_done = any(includes(each, operation) for each in own)
            if operation.key not in seen and not is_done:
                seen.add(operation.key)
                yield operation


def _ready_on(shop: Shop, outcome: Outcome) -> date | None:
    """Return the day on which a repair is ready: once its parts are there and the work that waits
    is done, as many of the bench's working days as it takes. None if either is not known.
    """
    bench = shop.bench
    if bench is None or outcome.repair.kit.unfilled:
        return None
    on = outcome.request.asked.on
    free = working_day(shop, on, bench.waiting_minutes // bench.minutes_a_day)
    begins = free if outcome.parts_by is None else max(free, outcome.parts_by)
    return working_day(shop, begins, -(-outcome.repair.labour.billed // bench.minutes_a_day))


def _compared(
    found: Sequence[Course], machine: AnotherMachine | None
) -> Callable[[Course], Course]:
    """Return the function that notes of a course which better ones cost less, and whether another
    machine does.
    """

    def compared(one: Course) -> Course:
        better = found[found.index(one) + 1 :]
        cheaper = ((each.name, one.price - each.price) for each in better)
        above = None if machine is None else one.price - machine.total
        return structs.replace(
            one,
            dearer_than=tuple(each for each in cheaper if each[1].minor > 0),
            above_machine=above if above is not None and above.minor > 0 else None,
        )

    return compared


def _advice(
    shop: Shop,
    courses: Sequence[Course],
    advised: Course,
    worth: Worth,
    machine: AnotherMachine | None,
) -> Advice:
    """Return what speaks for repairing and for replacing, by the shop's thresholds."""
    level, reasons = _share_of_value(shop, advised, worth, machine)
    if worth.age_years is not None and worth.hours is not None:
        reasons.append(Why("machine-so-old", {"years": worth.age_years, "run": worth.hours}))
    name = advised.name.value
    price = worth.replacement_price if machine is None else machine.total
    if price is not None:
        more = price - advised.price
        code = "machine-costs-more" if more.minor >= 0 else "machine-costs-less"
        facts: dict[str, Fact] = {"price": price, "more": max(more, -more), "course": name}
        reasons.append(Why(code, facts))
    reasons += [
        Why("better-for-less", {"course": name, "dearer": one.name.value, "less": less})
        for one in courses
        for better, less in one.dearer_than
        if better is advised.name
    ]
    return Advice(
        level=level,
        reasons=tuple(reasons),
        missing=worth.missing,
        replacement_price=worth.replacement_price,
    )


def _share_of_value(
    shop: Shop, advised: Course, worth: Worth, machine: AnotherMachine | None
) -> tuple[AdviceLevel, list[Why]]:
    """Return how much of a machine's value a course costs, against the shop's thresholds. A machine
    is worth no more than another one comes to.
    """
    value = worth.value
    if value is None:
        return AdviceLevel.none, []
    codes = _OF_VALUE
    if machine is not None and machine.total < value:
        value, codes = machine.total, _OF_MACHINE
    percent = Decimal(100 * advised.price.minor) / value.minor
    level = AdviceLevel.none
    if percent > shop.decision.warn_if_repair_percent_of_value:
        level = AdviceLevel.consider
    if percent > shop.decision.strong_warn_percent:
        level = AdviceLevel.strong
    facts: dict[str, Fact] = {
        "course": advised.name.value,
        "percent": percent.quantize(Decimal(1), ROUND_HALF_UP),
        "value": value,
    }
    return level, [Why(codes[level], facts)]
