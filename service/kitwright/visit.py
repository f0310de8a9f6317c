"""Visit: jobs that are done together, with their access plan, parts, orders and prices."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from datetime import date
from decimal import Decimal
from types import MappingProxyType

from msgspec import Struct, structs

from kitwright.catalogue.model import Chassis, RoleId
from kitwright.money import Money
from kitwright.stages.kit import (
    Kit,
    Need,
    NeedKind,
    RolePlace,
    choose_kit,
    first_day_of,
    with_floors,
)
from kitwright.stages.ordering import (
    PartsOrder,
    find_earlier,
    later_orders,
    split_orders,
    with_orders,
)
from kitwright.stages.outcome import (
    Compared,
    Repair,
    Sooner,
    landed_cost,
)
from kitwright.stages.price import (
    Priced,
    PricedLine,
    Share,
    adjust_lines,
    find_advances,
    price_lines,
    price_of,
    shares_borne,
    tax_lines,
)
from kitwright.stages.ready import find_goods_by
from kitwright.stages.request import (
    AskedPart,
    MinutesOverride,
    Ordered,
    Request,
    RequestRefused,
)
from kitwright.stages.work import Jobs, Labour, Operation, settle
from kitwright.workshop import Workshop


class _Work(Struct, frozen=True, kw_only=True):
    """One way to do some jobs, up to its lines; the members are as in `Repair`."""

    chassis: Chassis | None
    jobs: Jobs
    labour: Labour
    kit: Kit
    orders: tuple[PartsOrder, ...]
    still: tuple[PartsOrder, ...]
    lines: tuple[PricedLine, ...]


Known = Mapping[RolePlace, Need]
"""The needs of a repair for parts, by role and cylinder. If it is compared with other jobs, they
stay as they are, with their reasons.
"""


def known_needs(repair: Repair) -> Known:
    """Return the needs of a repair by role and cylinder, without consumables."""
    return {
        (RoleId(need.role), need.cylinder): need
        for need in repair.kit.needs
        if need.kind is not NeedKind.used
    }


def quote_jobs(workshop: Workshop, request: Request, jobs: Jobs) -> Repair:
    """Return the repair for some jobs: its access plan, kit, orders, lines and taxes.

    If the chassis is not named, the repair is computed for each possible chassis, and the most
    expensive is returned; in a tie, the first by id.
    """
    costliest, work = _costliest(workshop, request, jobs, (), {})
    advances = find_advances(workshop.shop, work.lines, work.kit)
    summed = tax_lines(workshop.shop, costliest, work.lines, advances)
    plan = workshop.access(costliest, jobs.operations)
    return Repair(**structs.asdict(work), plan=plan, advances=advances, **structs.asdict(summed))


def price_jobs(
    workshop: Workshop,
    request: Request,
    jobs: Jobs,
    known: Known = MappingProxyType({}),
    besides: Iterable[RolePlace] = (),
) -> Compared:
    """Return the result of some jobs, and of roles replaced in addition, for comparison.

    The values are those of `quote_jobs`, but needs that are `known` keep their reasons.
    """
    costliest, work = _costliest(workshop, request, jobs, tuple(besides), known, is_compared=True)
    return Compared(
        labour=work.labour,
        kit=work.kit,
        lines=work.lines,
        price=price_of(workshop.shop, costliest, work.lines),
    )


def _costliest(
    workshop: Workshop,
    request: Request,
    jobs: Jobs,
    besides: Sequence[RolePlace],
    known: Known,
    *,
    is_compared: bool = False,
) -> tuple[Request, _Work]:
    """Return the request with the chassis that makes some jobs most expensive, and that work."""

    def work_of(one: Request) -> _Work:
        return _work(workshop, one, jobs, besides, known, is_compared=is_compared)

    if not request.may_be:
        return request, work_of(request)

    def costliest(options: Iterable[Request]) -> tuple[Request, _Work]:
        found = [(each, work_of(each)) for each in options]
        return max(found, key=lambda one: price_of(workshop.shop, one[0], one[1].lines).minor)

    options = [structs.replace(request, chassis=chassis) for chassis in request.may_be]
    try:
        return costliest(options)
    except RequestRefused:
        # the counter may name a line that is on one chassis' quote and not on another's
        plain, _ = costliest(map(untouched, options))
        found = structs.replace(request, chassis=plain.chassis)
        return found, work_of(found)


def _work(
    workshop: Workshop,
    request: Request,
    jobs: Jobs,
    besides: Sequence[RolePlace],
    known: Known,
    *,
    is_compared: bool,
) -> _Work:
    """Return the work of some jobs with the engine in the request's chassis."""
    catalogue, shop = workshop.catalogue, workshop.shop
    asked = request.asked
    labour = workshop.labour(request, jobs.operations)
    needs = _needs(workshop, request, jobs, labour, besides, known)
    kit = (_compared_kit if is_compared else _choose_kit)(workshop, request, needs)
    orders, still = _orders(workshop, request, kit, is_compared=is_compared)
    before = Decimal(0) if asked.ordered is None else asked.ordered.charged
    lines = price_lines(
        Priced(
            catalogue=catalogue,
            shop=shop,
            operations=jobs.operations,
            labour=labour,
            kit=kit,
            goods=workshop.goods.lines(kit),
            orders=still,
            before=Money.of(before, shop.currency),
            diagnostic_done=asked.diagnostic_done,
            diagnostic_fee=asked.diagnostic_fee,
            terms=asked.terms,
            area=request.tax_area,
            on=asked.on,
        )
    )
    work = _Work(
        chassis=request.chassis,
        jobs=jobs,
        labour=labour,
        kit=kit,
        orders=orders,
        still=still,
        lines=lines,
    )
    borne: Sequence[Share] = ()
    if asked.terms.covered:
        borne = _borne(workshop, request, work, besides, known)
    return structs.replace(work, lines=adjust_lines(lines, asked.terms, shop.currency, borne))


def _orders(
    workshop: Workshop, request: Request, kit: Kit, *, is_compared: bool = False
) -> tuple[tuple[PartsOrder, ...], tuple[PartsOrder, ...]]:
    """Return the orders of a kit, and what of them is still to be ordered. A comparison needs only
    the latter.
    """
    asked = request.asked
    if asked.ordered is None:
        orders = split_orders(workshop.catalogue, workshop.shop, kit, asked.on)
        return orders, orders
    still = _still(workshop, asked.ordered, kit, asked.on)
    if is_compared:
        return (), still
    return split_orders(workshop.catalogue, workshop.shop, kit, asked.on), still


def _still(workshop: Workshop, ordered: Ordered, kit: Kit, on: date) -> tuple[PartsOrder, ...]:
    """Return what of a kit is still to be ordered on a day."""
    catalogue, supply = workshop.catalogue, workshop.supply

    there = workshop.memory.get(
        ("earlier", ordered), lambda: find_earlier(catalogue, supply, ordered)
    )
    question = id(kit), id(there), on
    known = workshop.later.get(question)
    if known is None:
        # the kit and what was ordered are kept, so that no others have their identity
        known = kit, there, later_orders(catalogue, workshop.shop, supply, there, kit, on)
        workshop.later.put(question, known)
    return known[2]


def _borne(
    workshop: Workshop,
    request: Request,
    work: _Work,
    besides: Sequence[RolePlace],
    known: Known,
) -> Sequence[Share]:
    """Return which share of each line the shop bears, because it bears some of the jobs. It bears
    no parts that were added, except the one that failed.
    """
    asked, jobs = request.asked, work.jobs
    covered = {(each.job, each.cylinder or 0): each for each in asked.terms.covered or ()}
    others = [each for each in jobs.operations if each.key not in covered]
    failed = None if asked.come_back is None else asked.come_back.part
    is_failed = {(need.role, need.cylinder) for need in work.kit.needs if need.item == failed}
    kept = tuple(part for part in asked.add_parts if (part.role, part.cylinder) in is_failed)
    if not (others or besides) and kept == asked.add_parts:
        return ((1, 1),) * len(work.lines)

    def lines_of(
        operations: Iterable[Operation], parts: tuple[AskedPart, ...], besides: Sequence[RolePlace]
    ) -> tuple[PricedLine, ...]:
        settled = settle(operations, left_out=jobs.left_out)
        plain = _plain(request, settled, parts)
        return _work(workshop, plain, settled, besides, known, is_compared=True).lines

    # another job may include a covered one, which is then no operation of the visit
    own = [
        Operation(job=workshop.catalogue.jobs[each.job], cylinder=each.cylinder)
        for each in covered.values()
    ]
    rest = lines_of(others, asked.add_parts, besides) if others else None
    return shares_borne(work.lines, lines_of(own, kept, ()), rest)


def _plain(request: Request, jobs: Jobs, parts: tuple[AskedPart, ...]) -> Request:
    """Return a request with other added parts, and of the counter's changes only the minutes of
    some jobs.
    """
    asked, keys = request.asked, {each.key for each in jobs.operations}
    minutes = tuple(
        each
        for each in asked.terms.overrides
        if isinstance(each, MinutesOverride) and (each.job, each.cylinder or 0) in keys
    )
    terms = structs.replace(asked.terms.untouched(), overrides=minutes)
    return structs.replace(request, asked=structs.replace(asked, add_parts=parts, terms=terms))


def ordered_by(workshop: Workshop, request: Request, repair: Repair) -> Ordered:
    """Return what was ordered once all that a repair needs is ordered, as far as it can be now."""
    kit, asked = repair.kit, request.asked
    if kit.held:
        # its price includes what is held back
        plain = structs.replace(request, chassis=repair.chassis)
        kit = _choose_kit(workshop, plain, kit.needs)
    _, still = _orders(workshop, request, kit)
    return with_orders(workshop.shop, asked.ordered, still)


def _needs(
    workshop: Workshop,
    request: Request,
    jobs: Jobs,
    labour: Labour,
    besides: Iterable[RolePlace] = (),
    known: Known = MappingProxyType({}),
) -> tuple[Need, ...]:
    asked = ((part.role, part.cylinder) for part in request.asked.add_parts)
    return workshop.needs.of(
        with_floors(workshop.shop, request),
        request,
        jobs.operations,
        labour,
        dict.fromkeys((*asked, *besides)),
        known,
    )


def _choose_kit(
    workshop: Workshop,
    request: Request,
    needs: tuple[Need, ...],
    held: Collection[Need] = (),
    *,
    is_compared: bool = False,
) -> Kit:
    """Return the kit for some needs."""
    asked = request.asked
    return choose_kit(
        workshop.market,
        needs,
        asked.terms,
        on=asked.on,
        needed_by=asked.needed_by,
        held=held,
        is_compared=is_compared,
    )


def _compared_kit(workshop: Workshop, request: Request, needs: tuple[Need, ...]) -> Kit:
    """Return the kit for some needs, for comparison. It is remembered by the identity of its needs,
    which are kept with it.
    """
    asked = request.asked
    if asked.terms.customer_parts:
        return _choose_kit(workshop, request, needs, is_compared=True)
    mark = workshop.market.stock.mark
    question = mark, asked.on, asked.needed_by, *map(id, needs)
    kit = workshop.kits.get(question)
    if kit is None:
        kit = _choose_kit(workshop, request, needs, is_compared=True)
        workshop.kits.put(question, kit)
    return kit


def hold_back(workshop: Workshop, request: Request, repair: Repair) -> Repair:
    """Return a repair that orders only the parts needed in every machine the engine may be in.

    Its price does not change: it is that of the most expensive machine.
    """
    if not request.may_be:
        return repair
    jobs = repair.jobs
    options = [structs.replace(request, chassis=chassis) for chassis in (*request.may_be, None)]
    needs = (
        _needs(workshop, each, jobs, workshop.labour(each, jobs.operations)) for each in options
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
    orders, still = _orders(workshop, request, kit)
    return structs.replace(repair, kit=kit, orders=orders, still=still)


def find_sooner(workshop: Workshop, request: Request, repair: Repair) -> Sooner | None:
    """Return the purchase with which all parts of a repair are there earlier, None if none is."""
    asked = request.asked
    ready = find_goods_by(asked, repair.still)
    # what was ordered is not ordered elsewhere
    if ready is None or ready <= (find_goods_by(asked, ()) or asked.on):
        return None

    def first_of(needs: tuple[Need, ...]) -> date:
        market, held = workshop.market, repair.kit.held
        return first_day_of(market, needs, asked.terms, on=asked.on, held=held)

    # mostly, what comes last can't be there earlier
    if not asked.terms.customer_parts and first_of(_filled_by(workshop, repair, ready)) >= ready:
        return None
    some = asked.ordered is not None and not asked.terms.customer_parts
    first = first_of(_filled_by(workshop, repair) if some else repair.kit.needs)
    if first >= ready:
        return None
    in_time = _by_day(request, first)
    try:
        found = hold_back(workshop, in_time, quote_jobs(workshop, in_time, repair.jobs))
    except RequestRefused:
        # a change names a line of the other purchase
        in_time = keep_lasting(in_time)
        found = hold_back(workshop, in_time, quote_jobs(workshop, in_time, repair.jobs))
    ready_on = find_goods_by(asked, found.still)
    if ready_on is None or ready_on >= ready:
        return None
    return Sooner(landed=landed_cost(found, asked.ordered), ready_on=ready_on, price=found.price)


def _filled_by(workshop: Workshop, repair: Repair, day: date | None = None) -> tuple[Need, ...]:
    """Return the needs for what is still to be ordered, or for what of it arrives on a day, with
    those that are covered with them.
    """
    market = workshop.market
    groups = {
        market.group(use.item)
        for order in repair.still
        for line in order.lines
        if day in (None, line.promised)
        for use in line.covers
    }
    return tuple(need for need in repair.kit.needs if market.group(need.item) in groups)


def with_ordered(request: Request, ordered: Ordered) -> Request:
    """Return a request for which some packs were ordered before; the rest is ordered later."""
    return structs.replace(request, asked=structs.replace(request.asked, ordered=ordered))


def _by_day(request: Request, day: date) -> Request:
    """Return a request whose parts are needed by a day."""
    return structs.replace(request, asked=structs.replace(request.asked, needed_by=day))


def _filled(need: Need) -> tuple[str, int | None, str]:
    """Return the key that distinguishes a need: its place, and the item that fills it."""
    return need.role, need.cylinder, need.item


def untouched(request: Request) -> Request:
    """Return a request without the changes that name lines and parts of this quote.

    Optional jobs are priced without them, because they may not fit another set of jobs.
    """
    terms = request.asked.terms.untouched()
    return structs.replace(request, asked=structs.replace(request.asked, terms=terms))


def keep_lasting(request: Request) -> Request:
    """Return a request with only those of the counter's changes that fit any set of jobs."""
    terms = request.asked.terms.lasting()
    return structs.replace(request, asked=structs.replace(request.asked, terms=terms))


def added_needs(repair: Repair | Compared, together: Compared) -> Iterator[Need]:
    """Yield the needs of `together` that the repair, whose jobs it includes, does not have."""
    there = {_filled(need) for need in repair.kit.needs}
    return (need for need in together.kit.needs if _filled(need) not in there)
