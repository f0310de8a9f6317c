"""The flow: one call a stage, from a request to a quote."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from types import MappingProxyType

from msgspec import Struct, structs

from kitwright.catalogue.expansion import expand_job
from kitwright.catalogue.graph import job_fits
from kitwright.catalogue.model import Chassis, ItemId, WhileApart
from kitwright.errors import KitwrightError, Path
from kitwright.money import Money
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
from kitwright.stages.kit import (
    Kit,
    KitPart,
    Need,
    NeedKey,
    NeedKind,
    RolePlace,
    choose_kit,
    list_needs,
    needs_by_key,
    with_floors,
)
from kitwright.stages.ordering import PartsOrder, split_orders
from kitwright.stages.outcome import (
    Basis,
    Compared,
    Draft,
    Extra,
    InPlay,
    Operated,
    Outcome,
    Repair,
    find_cautions,
    find_parts_by,
    make_outcome,
)
from kitwright.stages.price import (
    GOODS,
    Priced,
    PricedLine,
    adjust_lines,
    find_advances,
    price_lines,
    price_of,
    tax_lines,
)
from kitwright.stages.request import (
    Asked,
    AskedAssessment,
    AskedFindings,
    Request,
    RequestRefused,
    read_request,
)
from kitwright.stages.work import AccessPlan, Jobs, Labour, Operation, choose_jobs, settle
from kitwright.workshop import Workshop


def assess(workshop: Workshop, asked: AskedAssessment, base: Path = ()) -> Assessment:
    """Return what the findings on an engine come to.

    `base` is where the findings stand in a larger request. Raises: RequestRefused.
    """
    catalogue, shop = workshop.catalogue, workshop.shop
    findings = read_findings(catalogue, asked, base)
    odds = workshop.odds(findings)
    diagnosed = diagnose(catalogue, shop, odds, findings)
    next_tests = choose_tests(catalogue, odds, findings, diagnosed)
    return sum_up_findings(catalogue, findings, diagnosed, next_tests)


def quote_repair(workshop: Workshop, asked: Asked) -> Outcome:
    """Return the whole quote for what the counter asks.

    Findings in place of diagnoses and jobs decide what is quoted.

    Raises: RequestRefused, and the errors of the stages where the catalogue can't answer.
    """
    if asked.findings is not None:
        return _quote_findings(workshop, asked, asked.findings)
    request = read_request(workshop.catalogue, workshop.shop, asked)
    draft = workshop.draft(request, lambda: _draft(workshop, untouched(request)))
    terms = asked.terms
    repair, extras = draft.repair, draft.extras
    # where the chassis is not named, changes of lines may make another one the dearest
    if terms.changes_work or (request.may_be and terms.changes_lines):
        repair = _hold_back(workshop, request, quote_jobs(workshop, request, repair.jobs))
        extras = tuple(_extras(workshop, request, repair, Known(workshop, None)))
        if repair.chassis is not draft.repair.chassis:
            # changed by hand, another one is the dearest: what is done there, and with which care
            plain = structs.replace(untouched(request), chassis=repair.chassis)
            _, labour = workshop.labour(plain, repair.jobs.operations)
            draft = structs.replace(
                draft,
                operated=_operated(workshop, request, repair, labour),
                cautions=find_cautions(workshop.catalogue, repair.labour, repair.kit.needs),
            )
    elif terms.changes_lines or terms.changes_totals:
        lines = adjust_lines(repair.lines, terms, workshop.shop.currency)
        summed = tax_lines(workshop.shop, request, lines, repair.advances)
        repair = structs.replace(repair, lines=lines, **structs.asdict(summed))
        if terms.changes_lines:
            extras = workshop.extras(
                draft,
                terms.line_changes,
                lambda: tuple(
                    _reprice(workshop, request, draft, repair, each) for each in draft.extras
                ),
            )
    return make_outcome(workshop.shop, request, repair, extras, draft)


def _reprice(
    workshop: Workshop, request: Request, draft: Draft, repair: Repair, extra: Extra
) -> Extra:
    """Return an optional job of a draft at what it costs more with the counter's changes."""
    try:
        price = _price(workshop, request, extra.lines) - repair.price
    except RequestRefused:
        # what is changed may not stand like that beside the job: what holds for all lines counts
        lasting = _lasting(request)
        price = _price(workshop, lasting, extra.lines)
        price -= _price(workshop, lasting, draft.repair.lines)
    return structs.replace(extra, price=price)


def _price(workshop: Workshop, request: Request, lines: Sequence[PricedLine]) -> Money:
    """Return what lines come to with the counter's changes. Raises: RequestRefused."""
    changed = adjust_lines(lines, request.asked.terms, workshop.shop.currency)
    return price_of(workshop.shop, request, changed)


def _quote_findings(workshop: Workshop, asked: Asked, findings: AskedFindings) -> Outcome:
    """Return the quote of the repair that findings support, or of what finds out more."""
    faults: list[KitwrightError] = []
    assessment = None
    try:
        read_request(workshop.catalogue, workshop.shop, asked)
    except RequestRefused as error:
        faults += error.faults
    try:
        whole = AskedAssessment(family=asked.family, findings=findings)
        assessment = assess(workshop, whole, ("findings",))
    except RequestRefused as error:
        known = {(fault.path, fault.code) for fault in faults}
        faults += [fault for fault in error.faults if (fault.path, fault.code) not in known]
    if faults or assessment is None:
        raise RequestRefused(faults)
    course = choose_course(workshop.catalogue, assessment)
    plain = structs.replace(asked, findings=None, diagnoses=course.diagnoses, jobs=course.jobs)
    quote = quote_repair(workshop, plain)
    basis = Basis(
        assessment=assessment,
        is_repair=bool(course.diagnoses),
        in_play=tuple(_in_play(workshop, quote, course)),
    )
    return structs.replace(quote, basis=basis)


def _in_play(workshop: Workshop, quote: Outcome, course: Course) -> Iterator[InPlay]:
    """Yield the repairs that may follow, each as a visit of its own; none that is quoted."""
    plain = untouched(quote.request)
    scope = plain.asked.scope
    quoted = quote.repair.jobs.operations
    for faults in repairs_in_play(course, scope):
        jobs = settle(
            Operation(job=job, cylinder=cylinder)
            for job, cylinder in faults[0].candidate.scopes[scope]
        )
        together = settle([*quoted, *jobs.operations]).operations
        if course.diagnoses and together == quoted:
            continue
        outcome = price_jobs(workshop, plain, jobs, Known(workshop, None))
        yield InPlay(
            faults=faults,
            operations=jobs.operations,
            price=outcome.price,
            minutes=outcome.labour.billed,
        )


class _Work(Struct, frozen=True, kw_only=True):
    """One way to do some jobs, up to its lines; the members are those of `Repair`."""

    chassis: Chassis | None
    jobs: Jobs
    plan: AccessPlan
    labour: Labour
    kit: Kit
    orders: tuple[PartsOrder, ...]
    lines: tuple[PricedLine, ...]


class Known:
    """What of a repair stays what it is where other jobs of the same request are priced: needs,
    and what covers those that are tied together, with its lines.

    Args:
        repair: without the counter's changes to lines and parts; None, where nothing is known.
    """

    def __init__(self, workshop: Workshop, repair: Repair | None) -> None:
        self.needs: dict[NeedKey, Need] = {}
        self.parts: tuple[KitPart, ...] = ()
        self.lines: dict[int, list[PricedLine]] = {}
        if repair is None:
            return
        self.needs = needs_by_key(repair.kit.needs)
        if not repair.kit.held:
            group_of = workshop.market.group
            self.parts = repair.kit.parts
            by_group = {group_of(part.needs[0].item): id(part) for part in self.parts}
            for line in repair.lines:
                if line.kind in GOODS:
                    part = by_group[group_of(ItemId(line.code))]
                    self.lines.setdefault(part, []).append(line)


def quote_jobs(workshop: Workshop, request: Request, jobs: Jobs) -> Repair:
    """Return some jobs planned, kitted, ordered, priced and taxed.

    Where the chassis is not named, that is done in each that it may be, and the dearest is
    returned; of several, the first by id.
    """
    dearest, work = _dearest(workshop, request, jobs, (), Known(workshop, None))
    advances = find_advances(workshop.shop, work.lines, work.kit)
    summed = tax_lines(workshop.shop, dearest, work.lines, advances)
    return Repair(**structs.asdict(work), advances=advances, **structs.asdict(summed))


def price_jobs(
    workshop: Workshop,
    request: Request,
    jobs: Jobs,
    known: Known,
    besides: Iterable[RolePlace] = (),
) -> Compared:
    """Return what some jobs, and roles renewed besides, come to: as `quote_jobs` finds it, with
    less work.
    """
    dearest, work = _dearest(workshop, request, jobs, tuple(besides), known)
    return Compared(
        labour=work.labour,
        kit=work.kit,
        lines=work.lines,
        price=price_of(workshop.shop, dearest, work.lines),
    )


def _dearest(
    workshop: Workshop,
    request: Request,
    jobs: Jobs,
    besides: Sequence[RolePlace],
    known: Known,
) -> tuple[Request, _Work]:
    """Return the request in the chassis in which some jobs are the dearest, and the work there."""
    if not request.may_be:
        return request, _work(workshop, request, jobs, besides, known)

    def dearest(options: Iterable[Request]) -> tuple[Request, _Work]:
        found = [(each, _work(workshop, each, jobs, besides, known)) for each in options]
        return max(found, key=lambda one: price_of(workshop.shop, one[0], one[1].lines).minor)

    options = [structs.replace(request, chassis=chassis) for chassis in request.may_be]
    try:
        return dearest(options)
    except RequestRefused:
        # the counter may name what stands on one chassis' quote and not on another's
        plain, _ = dearest(map(untouched, options))
        found = structs.replace(request, chassis=plain.chassis)
        return found, _work(workshop, found, jobs, besides, known)


def _work(
    workshop: Workshop,
    request: Request,
    jobs: Jobs,
    besides: Sequence[RolePlace],
    known: Known,
) -> _Work:
    """Return some jobs done with the engine in the request's chassis."""
    catalogue, shop, prices = workshop.catalogue, workshop.shop, workshop.prices
    asked = request.asked
    plan, labour = workshop.labour(request, jobs.operations)
    needs = _needs(workshop, request, jobs, plan, labour, besides, known.needs)
    kit = _choose_kit(workshop, request, needs, known=known.parts)
    orders = split_orders(catalogue, shop, kit, asked.on)
    lines = price_lines(
        Priced(
            catalogue=catalogue,
            shop=shop,
            prices=prices,
            operations=jobs.operations,
            labour=labour,
            kit=kit,
            orders=orders,
            diagnostic_done=asked.diagnostic_done,
            terms=asked.terms,
            area=request.tax_area,
            on=asked.on,
            known_goods=known.lines,
        )
    )
    return _Work(
        chassis=request.chassis,
        jobs=jobs,
        plan=plan,
        labour=labour,
        kit=kit,
        orders=orders,
        lines=adjust_lines(lines, asked.terms, shop.currency),
    )


def _needs(
    workshop: Workshop,
    request: Request,
    jobs: Jobs,
    plan: AccessPlan,
    labour: Labour,
    besides: Iterable[RolePlace] = (),
    known: Mapping[NeedKey, Need] = MappingProxyType({}),
) -> tuple[Need, ...]:
    return list_needs(
        workshop.fitments,
        with_floors(workshop.shop, request),
        request,
        jobs.operations,
        plan,
        labour,
        besides,
        known,
    )


def _choose_kit(
    workshop: Workshop,
    request: Request,
    needs: tuple[Need, ...],
    held: Collection[Need] = (),
    known: Collection[KitPart] = (),
) -> Kit:
    asked = request.asked
    return choose_kit(
        workshop.market,
        needs,
        asked.terms,
        on=asked.on,
        needed_by=asked.needed_by,
        held=held,
        known=known,
    )


def _draft(workshop: Workshop, request: Request) -> Draft:
    """Return a request's quote as it is before any line or part of it is changed."""
    jobs = choose_jobs(workshop.catalogue, request)
    priced = quote_jobs(workshop, request, jobs)
    repair = _hold_back(workshop, request, priced)
    return Draft(
        repair=repair,
        operated=_operated(workshop, request, repair, repair.labour),
        extras=tuple(_extras(workshop, request, repair, Known(workshop, priced))),
        cautions=find_cautions(workshop.catalogue, repair.labour, repair.kit.needs),
        parts_by=find_parts_by(workshop.shop, repair, request.asked.on),
    )


def _operated(
    workshop: Workshop, request: Request, repair: Repair, labour: Labour
) -> tuple[Operated, ...]:
    """Return a repair's operations with their minutes before anybody changes them: those of
    `labour`.
    """
    plain = structs.replace(request, chassis=repair.chassis)
    return tuple(
        Operated(
            operation=operation,
            minutes_alone=workshop.minutes_alone(plain, operation),
            minutes_here=labour.minutes_of(operation.key),
            minutes_computed=labour.minutes_of(operation.key),
            why=operation.why,
        )
        for operation in repair.jobs.operations
    )


def _hold_back(workshop: Workshop, request: Request, repair: Repair) -> Repair:
    """Return a repair that orders only what every machine calls for that the engine may be in.

    Its price stays: it is that of the dearest.
    """
    if not request.may_be:
        return repair
    jobs = repair.jobs
    options = [structs.replace(request, chassis=chassis) for chassis in (*request.may_be, None)]
    needs = (
        _needs(workshop, each, jobs, *workshop.labour(each, jobs.operations)) for each in options
    )
    everywhere = set.intersection(*({_filled(need) for need in each} for each in needs))
    held = tuple(
        need
        for need in repair.kit.needs
        if need.kind is not NeedKind.used and _filled(need) not in everywhere
    )
    if not held:
        return repair
    kit = _choose_kit(workshop, request, repair.kit.needs, held)
    orders = split_orders(workshop.catalogue, workshop.shop, kit, request.asked.on)
    return structs.replace(repair, kit=kit, orders=orders)


def _filled(need: Need) -> tuple[str, int | None, str]:
    """Return what tells a need from others: the place, and what fills it."""
    return need.role, need.cylinder, need.item


def untouched(request: Request) -> Request:
    """Return a request without the changes that name lines and parts of its very quote.

    Optional jobs are priced without them: they may not fit another set of jobs.
    """
    terms = request.asked.terms.untouched()
    return structs.replace(request, asked=structs.replace(request.asked, terms=terms))


def _lasting(request: Request) -> Request:
    """Return a request with what of the counter's changes holds whatever the jobs are."""
    terms = request.asked.terms.lasting()
    return structs.replace(request, asked=structs.replace(request.asked, terms=terms))


def _extras(workshop: Workshop, request: Request, repair: Repair, known: Known) -> Iterator[Extra]:
    """Yield the jobs worth doing while the engine is apart, each at what the whole visit costs
    more with it.
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
    workshop: Workshop, request: Request, repair: Repair, together: Jobs, known: Known
) -> tuple[Repair | Compared, Compared]:
    """Return a repair and the one with more jobs, with the counter's changes as far as they hold
    for both.
    """
    try:
        return repair, price_jobs(workshop, request, together, known)
    except RequestRefused:
        lasting, unknown = _lasting(request), Known(workshop, None)
        plain = price_jobs(workshop, lasting, repair.jobs, unknown)
        return plain, price_jobs(workshop, lasting, together, unknown)


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
    there = set(map(id, repair.lines))
    return Extra(
        job=fresh[0].job.id,
        name=fresh[0].job.name,
        cylinders=tuple(each.cylinder for each in fresh if each.cylinder is not None),
        price=together.price - repair.price,
        minutes=together.labour.billed - repair.labour.billed,
        default=beside.default.value,
        reason=beside.reason,
        needs=tuple(added_needs(repair, together)),
        lines=tuple(
            line if id(line) in there else structs.replace(line, why=()) for line in together.lines
        ),
    )


def added_needs(repair: Repair | Compared, together: Compared) -> Iterator[Need]:
    """Yield what the one repair needs that the other, which it holds, does not."""
    there = {_filled(need) for need in repair.kit.needs}
    return (need for need in together.kit.needs if _filled(need) not in there)
