"""The flow: one call a stage, from a request to a quote."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from msgspec import structs

from kitwright.catalogue.model import Catalogue, ChassisId, FamilyId, ItemId, Shop, WhileApart
from kitwright.money import Money
from kitwright.stages.access import AccessPlan, Teardown, compile_teardown, plan_access
from kitwright.stages.adjustment import adjust_lines
from kitwright.stages.job import Jobs, Operation, choose_jobs, expand_job, settle
from kitwright.stages.kit import choose_kit
from kitwright.stages.labour import Labour, allot_labour, read_minutes, repeat
from kitwright.stages.need import Need, list_needs, with_floors
from kitwright.stages.order import split_orders
from kitwright.stages.price import Priced, price_lines
from kitwright.stages.quote import Extra, Operated, Quote, Repair, make_quote, tax_lines
from kitwright.stages.request import Asked, Request, read_request
from kitwright.stages.supply import find_supply


class Workshop:
    """A catalogue and one of its shops, with what is worth working out once for both."""

    def __init__(self, catalogue: Catalogue, shop: Shop) -> None:
        self.catalogue = catalogue
        self.shop = shop
        self.supply = find_supply(catalogue, shop)
        self._teardowns: dict[tuple[FamilyId, ChassisId | None], Teardown] = {}

    def teardown(self, request: Request) -> Teardown:
        """Return the compiled teardown of the request's engine in its chassis."""
        chassis = request.chassis
        key = (request.family.id, chassis.id if chassis is not None else None)
        if key not in self._teardowns:
            self._teardowns[key] = compile_teardown(self.catalogue, request.family, chassis)
        return self._teardowns[key]


def quote_repair(workshop: Workshop, asked: Asked) -> Quote:
    """Return the whole quote for what the counter asks.

    Raises: RequestRefused, and the errors of the stages where the catalogue can't answer.
    """
    catalogue, shop = workshop.catalogue, workshop.shop
    request = read_request(catalogue, shop, asked)
    jobs = choose_jobs(catalogue, request)
    repair = quote_jobs(workshop, request, jobs)
    terms = asked.terms
    # what names lines and parts of this very quote would not fit another set of jobs
    plain = _untouched(request) if terms.is_touched else request
    computed = quote_jobs(workshop, plain, jobs) if terms.is_touched else repair
    operated = tuple(
        Operated(
            operation=operation,
            minutes_alone=_labour(workshop, plain, (operation,))[1].billed,
            minutes_here=repair.labour.minutes_of(operation.key),
            minutes_computed=computed.labour.minutes_of(operation.key),
        )
        for operation in jobs.operations
    )
    extras = tuple(_extras(workshop, plain, jobs, computed))
    return make_quote(catalogue, shop, request, repair, operated, extras)


def quote_jobs(workshop: Workshop, request: Request, jobs: Jobs) -> Repair:
    """Return some jobs planned, kitted, ordered, priced and taxed."""
    catalogue, supply = workshop.catalogue, workshop.supply
    shop = with_floors(workshop.shop, request)
    asked = request.asked
    plan, labour = _labour(workshop, request, jobs.operations)
    needs = list_needs(catalogue, shop, supply, request, jobs.operations, plan, labour)
    kit = choose_kit(
        catalogue, shop, supply, needs, asked.terms, on=asked.on, needed_by=asked.needed_by
    )
    orders = split_orders(catalogue, shop, kit, asked.on)
    lines = price_lines(
        Priced(
            catalogue=catalogue,
            shop=shop,
            supply=supply,
            operations=jobs.operations,
            labour=labour,
            kit=kit,
            orders=orders,
            diagnostic_done=asked.diagnostic_done,
            machines=asked.terms.machines,
            area=request.tax_area,
            on=asked.on,
        )
    )
    lines = adjust_lines(lines, asked.terms, shop.currency)
    line_taxes, taxes, totals = tax_lines(shop, request, lines, kit)
    return Repair(
        jobs=jobs,
        plan=plan,
        labour=labour,
        kit=kit,
        orders=orders,
        lines=lines,
        line_taxes=line_taxes,
        taxes=taxes,
        totals=totals,
    )


def _labour(
    workshop: Workshop, request: Request, operations: tuple[Operation, ...]
) -> tuple[AccessPlan, Labour]:
    catalogue, shop = workshop.catalogue, workshop.shop
    asked = request.asked
    teardown = workshop.teardown(request)
    plan = plan_access(catalogue, shop, teardown, operations, asked.condition.rust)
    labour = allot_labour(
        catalogue,
        shop,
        request.family.cylinders,
        operations,
        plan,
        asked.condition,
        read_minutes(operations, asked.terms),
    )
    return plan, repeat(labour, asked.terms.machines)


def _untouched(request: Request) -> Request:
    terms = structs.replace(
        request.asked.terms, discounts=(), free_lines=(), overrides=(), customer_parts=()
    )
    return structs.replace(request, asked=structs.replace(request.asked, terms=terms))


def _extras(workshop: Workshop, request: Request, jobs: Jobs, repair: Repair) -> Iterator[Extra]:
    """Yield the jobs worth doing while the engine is apart, each at what the whole visit costs
    more with it.
    """
    seen = {each.key for each in (*jobs.operations, *jobs.left_out)}
    seen.update(each.operation.key for each in jobs.swallowed)
    for operation in jobs.operations:
        for beside in operation.job.while_apart:
            more = _more(workshop, request, operation, beside)
            added = [each for each in more if each.key not in seen]
            together = settle([*jobs.operations, *added], left_out=jobs.left_out)
            fresh = [each for each in added if each in together.operations]
            seen.update(each.key for each in added)
            if fresh:
                yield _extra(repair, quote_jobs(workshop, request, together), fresh, beside)


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
    repair: Repair, together: Repair, fresh: Sequence[Operation], beside: WhileApart
) -> Extra:
    price: Money = together.price - repair.price
    there = {(need.role, need.cylinder, need.item) for need in repair.kit.needs}
    return Extra(
        job=fresh[0].job.id,
        name=fresh[0].job.name,
        cylinders=tuple(each.cylinder for each in fresh if each.cylinder is not None),
        price=price,
        minutes=together.labour.billed - repair.labour.billed,
        default=beside.default.value,
        reason=beside.reason,
        needs=tuple(_recommended(together.kit.needs, there)),
    )


def _recommended(
    needs: Sequence[Need], there: set[tuple[str, int | None, ItemId]]
) -> Iterator[Need]:
    return (need for need in needs if (need.role, need.cylinder, need.item) not in there)
