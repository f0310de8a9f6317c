"""The flow: one call for each stage, from a request to a quote."""

from __future__ import annotations

from collections.abc import Iterator

from msgspec import Struct, structs

from kitwright.choices import find_extras, find_savings, reprice
from kitwright.errors import KitwrightError, Path
from kitwright.fixed import find_fixed
from kitwright.stages.finding import (
    Assessment,
    Course,
    choose_course,
    choose_tests,
    diagnose,
    read_findings,
    repairs_in_play,
    sum_up_findings,
)
from kitwright.stages.outcome import (
    Basis,
    Caution,
    Draft,
    InPlay,
    Operated,
    Outcome,
    Planned,
    Repair,
    find_cautions,
    make_outcome,
    parts_day,
)
from kitwright.stages.price import (
    adjust_lines,
    tax_lines,
)
from kitwright.stages.request import (
    Asked,
    AskedAssessment,
    CoveredJob,
    NotInVisit,
    Request,
    RequestRefused,
    read_request,
)
from kitwright.stages.work import Jobs, Labour, Operation, choose_jobs, settle
from kitwright.stages.work_plan import Visit, find_stops
from kitwright.visit import find_sooner, hold_back, known_needs, price_jobs, quote_jobs, untouched
from kitwright.workshop import Choices, Workshop


def assess(workshop: Workshop, asked: AskedAssessment, base: Path = ()) -> Assessment:
    """Return the assessment of the findings on an engine: the diagnoses and the next tests.

    `base` is the path of the findings in a larger request. Raises: RequestRefused.
    """
    catalogue, shop = workshop.catalogue, workshop.shop
    findings = read_findings(catalogue, asked, base)
    odds = workshop.odds(findings)
    diagnosed = diagnose(catalogue, shop, odds, findings)
    next_tests = choose_tests(catalogue, odds, findings, diagnosed)
    return sum_up_findings(catalogue, findings, diagnosed, next_tests)


def quote_repair(workshop: Workshop, asked: Asked, sound: frozenset[int] = frozenset()) -> Outcome:
    """Return the complete quote for a request of the counter.

    If findings are given instead of diagnoses and jobs, they decide what is quoted. `sound` are the
    cylinders that are known to hold air.

    Raises: RequestRefused, and the errors of the stages if the catalogue lacks data.
    """
    if asked.findings is not None:
        work = find_work(workshop, asked)
        return on_basis(workshop, quote_repair(workshop, work.asked, work.sound), work)
    request = read_request(workshop.catalogue, workshop.shop, asked)
    draft = workshop.draft(request, lambda: _draft(workshop, untouched(request)))
    request = _settled(workshop, request, draft.repair.jobs)
    terms = request.asked.terms
    repair, extras, savings, sooner = draft.repair, draft.extras, draft.savings, draft.sooner
    # if the chassis is not named, changes of lines may make another one the most expensive
    if terms.changes_work or (request.may_be and terms.changes_lines):
        repair = hold_back(workshop, request, quote_jobs(workshop, request, repair.jobs))
        extras = tuple(find_extras(workshop, request, repair, {}))
        savings = tuple(find_savings(workshop, request, repair, {}))
        sooner = find_sooner(workshop, request, repair)
        if repair.chassis is not draft.repair.chassis:
            # with manual changes, another one is the most expensive: use its work and cautions
            plain = structs.replace(untouched(request), chassis=repair.chassis)
            labour = workshop.labour(plain, repair.jobs.operations)
            draft = structs.replace(
                draft,
                operated=_operated(workshop, request, repair, labour),
                cautions=_cautions(workshop, repair, _planned(workshop, request, repair)),
            )
    elif terms.changes_lines or terms.changes_totals:
        lines = adjust_lines(repair.lines, terms, workshop.shop.currency)
        summed = tax_lines(workshop.shop, request, lines, repair.advances)
        repair = structs.replace(repair, lines=lines, **structs.asdict(summed))
        if terms.changes_lines:
            choices = workshop.choices(
                draft, terms.line_changes, lambda: _changed(workshop, request, draft, repair)
            )
            extras, savings, sooner = choices
    planned = draft.planned
    is_of_draft = repair.labour is draft.repair.labour and repair.kit is draft.repair.kit
    if not is_of_draft or terms.free_lines:
        planned = _planned(workshop, request, repair, sound)
    elif held := sound & planned.plan.held:
        planned = workshop.planned(
            draft, held, lambda: _planned(workshop, request, draft.repair, held)
        )
    outcome = make_outcome(workshop.shop, request, repair, extras, savings, draft, planned)
    return structs.replace(outcome, sooner=sooner)


def _settled(workshop: Workshop, request: Request, jobs: Jobs) -> Request:
    """Return a request that names the jobs which the shop bears: all that were not added, unless
    some are named. Raises: RequestRefused, for a job that is not in the visit.
    """
    named = request.asked.terms.covered
    if named is None:
        return request
    # the shop also bears what a job costs that another one includes
    every = (*jobs.operations, *(gone.operation for gone in jobs.swallowed))
    there = {each.key: each for each in every}
    left_out = {(job.id, cylinder or 0) for job, cylinder in request.leave_out}
    if named:
        faults = [
            NotInVisit(job, tuple(each.text for each in jobs.operations)).at(
                "comes_back", "jobs", index
            )
            for index, job in enumerate(named)
            if (job.job, job.cylinder or 0) not in there.keys() | left_out
        ]
        if faults:
            raise RequestRefused(faults)
        keys = [(job.job, job.cylinder or 0) for job in named]
    else:
        plain = choose_jobs(workshop.catalogue, structs.replace(request, add_jobs=()))
        keys = [each.key for each in plain.operations]
    covered = tuple(
        CoveredJob(there[key].job.id, there[key].cylinder) for key in keys if key in there
    )
    terms = structs.replace(request.asked.terms, covered=covered or None)
    return structs.replace(request, asked=structs.replace(request.asked, terms=terms))


class Work(Struct, frozen=True, kw_only=True):
    """The work that a request comes to: the request with diagnoses and jobs in place of findings,
    and the cylinders that hold air; of findings, their assessment and what they support.
    """

    asked: Asked
    sound: frozenset[int] = frozenset()
    assessment: Assessment | None = None
    course: Course | None = None


def find_work(workshop: Workshop, asked: Asked) -> Work:
    """Return the work that a request comes to. Raises: RequestRefused."""
    if asked.findings is None:
        return Work(asked=asked)
    faults: list[KitwrightError] = []
    assessment = None
    try:
        read_request(workshop.catalogue, workshop.shop, asked)
    except RequestRefused as error:
        faults += error.faults
    try:
        whole = AskedAssessment(family=asked.family, findings=asked.findings)
        assessment = assess(workshop, whole, ("findings",))
    except RequestRefused as error:
        known = {(fault.path, fault.code) for fault in faults}
        faults += [fault for fault in error.faults if (fault.path, fault.code) not in known]
    if faults or assessment is None:
        raise RequestRefused(faults)
    course = choose_course(workshop.catalogue, assessment)
    plain = structs.replace(
        asked,
        findings=None,
        diagnoses=course.diagnoses,
        jobs=course.jobs,
        is_by_findings=True,
    )
    return Work(asked=plain, sound=assessment.findings.sound, assessment=assessment, course=course)


def on_basis(workshop: Workshop, outcome: Outcome, work: Work) -> Outcome:
    """Return a quote with the findings that it is based on; as it is if there are none."""
    if work.assessment is None or work.course is None:
        return outcome
    basis = Basis(
        assessment=work.assessment,
        is_repair=bool(work.course.diagnoses),
        in_play=tuple(_in_play(workshop, outcome, work.course)),
    )
    return structs.replace(outcome, basis=basis)


def _in_play(workshop: Workshop, outcome: Outcome, course: Course) -> Iterator[InPlay]:
    """Yield the repairs that may follow, each priced as a separate visit, except those quoted."""
    plain = untouched(outcome.request)
    scope = plain.asked.scope
    quoted = outcome.repair.jobs.operations
    for faults in repairs_in_play(course, scope):
        jobs = settle(
            Operation(job=job, cylinder=cylinder)
            for job, cylinder in faults[0].candidate.scopes[scope]
        )
        together = settle([*quoted, *jobs.operations]).operations
        if course.diagnoses and together == quoted:
            continue
        found = price_jobs(workshop, plain, jobs)
        yield InPlay(
            faults=faults,
            operations=jobs.operations,
            price=found.price,
            minutes=found.labour.billed,
        )


def _draft(workshop: Workshop, request: Request) -> Draft:
    """Return a request's quote before the counter changes any line or part of it."""
    jobs = choose_jobs(workshop.catalogue, request)
    priced = quote_jobs(workshop, request, jobs)
    repair = hold_back(workshop, request, priced)
    known = known_needs(priced)
    planned = _planned(workshop, request, repair)
    return Draft(
        repair=repair,
        operated=_operated(workshop, request, repair, repair.labour),
        extras=tuple(find_extras(workshop, request, repair, known)),
        savings=tuple(find_savings(workshop, request, repair, known)),
        cautions=_cautions(workshop, repair, planned),
        parts_by=parts_day(workshop.shop, request, repair),
        sooner=find_sooner(workshop, request, repair),
        planned=planned,
    )


def _changed(workshop: Workshop, request: Request, draft: Draft, repair: Repair) -> Choices:
    """Return the choices of a draft under the counter's changes of lines."""
    extras, savings = reprice(workshop, request, draft, repair)
    sooner = None if draft.sooner is None else find_sooner(workshop, request, repair)
    return extras, savings, sooner


def _cautions(workshop: Workshop, repair: Repair, planned: Planned) -> tuple[Caution, ...]:
    """Return the hazards of a repair, those of its unbilled steps too."""
    needs = repair.kit.needs
    return find_cautions(workshop.catalogue, repair.labour, needs, planned.plan.steps)


def _planned(
    workshop: Workshop, request: Request, repair: Repair, sound: frozenset[int] = frozenset()
) -> Planned:
    """Return the steps of a repair, and what stopping on the way costs."""
    needs = repair.kit.needs
    visit = Visit(
        operations=repair.jobs.operations, access=repair.plan, labour=repair.labour, needs=needs
    )
    plan = workshop.work_plan(structs.replace(request, chassis=repair.chassis), visit, sound)
    stops = find_stops(workshop.shop, request, plan, repair.lines, needs)
    return Planned(plan=plan, stops=tuple(stops))


def _operated(
    workshop: Workshop, request: Request, repair: Repair, labour: Labour
) -> tuple[Operated, ...]:
    """Return a repair's operations with their minutes before any override: those of `labour`."""
    plain = structs.replace(request, chassis=repair.chassis)
    fixed = find_fixed(workshop.catalogue, request, repair.jobs)
    return tuple(
        Operated(
            operation=operation,
            minutes_alone=workshop.minutes_alone(plain, operation),
            minutes_here=labour.minutes_of(operation.key),
            minutes_computed=labour.minutes_of(operation.key),
            why=operation.why,
            stays=fixed.get(operation.key),
        )
        for operation in repair.jobs.operations
    )
