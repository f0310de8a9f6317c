"""Quote: tax, totals, cautions and dates around the lines."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta

from msgspec import Struct

from kitwright.catalogue.model import Catalogue, Hazard, HazardId, JobId, Shop
from kitwright.money import Money, total
from kitwright.stages.access import AccessPlan
from kitwright.stages.job import Jobs, Operation
from kitwright.stages.kit import Kit
from kitwright.stages.labour import Labour
from kitwright.stages.line import PricedLine
from kitwright.stages.need import Need
from kitwright.stages.order import PartsOrder
from kitwright.stages.request import Request
from kitwright.stages.supply import working_day
from kitwright.tax.charges import Charge, ComponentTax, tax_charges


class Totals(Struct, frozen=True, kw_only=True):
    """The sums of the printed lines. net + tax = gross; what is not known is None, never zero.

    `lines` is the sum of the lines' amounts, net or gross as the shop's prices are. `payable`
    is the gross amount.
    """

    lines: Money
    net: Money | None
    tax: Money | None
    gross: Money | None
    payable: Money | None


class Caution(Struct, frozen=True):
    """A hazard of this visit, and the steps that bring it."""

    hazard: Hazard
    steps: tuple[str, ...]


class Extra(Struct, frozen=True, kw_only=True):
    """An optional job at its true extra price: what the whole visit would cost more with it,
    tax included where known.
    """

    job: JobId
    name: str
    cylinders: tuple[int, ...]
    price: Money
    minutes: int
    default: str
    reason: str
    needs: tuple[Need, ...]


class Operated(Struct, frozen=True):
    """An operation with its billed minutes: as the only job, and here among the others."""

    operation: Operation
    minutes_alone: int
    minutes_here: int


class Repair(Struct, frozen=True, kw_only=True):
    """One way to do the work, planned, priced and taxed."""

    jobs: Jobs
    plan: AccessPlan
    labour: Labour
    kit: Kit
    orders: tuple[PartsOrder, ...]
    lines: tuple[PricedLine, ...]
    line_taxes: tuple[tuple[Money, Money, Money], ...] | None
    taxes: tuple[ComponentTax, ...]
    totals: Totals

    @property
    def price(self) -> Money:
        """What the customer pays as far as it is known: gross, else the sum of the lines."""
        return self.totals.lines if self.totals.gross is None else self.totals.gross


class Quote(Struct, frozen=True, kw_only=True):
    """The whole answer to a request.

    `parts_by` is the day on which everything ordered, and everything sent out, should be back;
    None where nothing is.
    """

    request: Request
    shop: Shop
    repair: Repair
    operated: tuple[Operated, ...]
    extras: tuple[Extra, ...]
    cautions: tuple[Caution, ...]
    parts_by: date | None
    valid_until: date

    @property
    def is_provisional(self) -> bool:
        """Whether a question about the plate is open."""
        return bool(self.repair.kit.questions)


def tax_lines(
    shop: Shop, request: Request, lines: Sequence[PricedLine]
) -> tuple[tuple[tuple[Money, Money, Money], ...] | None, tuple[ComponentTax, ...], Totals]:
    """Return each line's net, tax and gross, the taxes, and the totals; None where tax is not
    known.
    """
    summed = total((line.amount for line in lines), shop.currency)
    area = request.tax_area
    if area is None:
        net = None if shop.selling_prices_include_tax else summed
        return None, (), Totals(lines=summed, net=net, tax=None, gross=None, payable=None)
    taxed = tax_charges(
        area, [Charge(line.tax_kind, line.amount) for line in lines], on=request.asked.on
    )
    totals = Totals(
        lines=summed, net=taxed.net, tax=taxed.tax, gross=taxed.gross, payable=taxed.gross
    )
    each = tuple((line.net, line.tax, line.gross) for line in taxed.lines)
    return each, taxed.taxes, totals


def find_cautions(
    catalogue: Catalogue, labour: Labour, needs: Iterable[Need]
) -> tuple[Caution, ...]:
    """Return the hazards of everything done and used on this visit, each once, in the
    catalogue's order.
    """
    steps: dict[HazardId, list[str]] = {}
    for task in labour.tasks:
        for hazard in task.hazards:
            steps.setdefault(hazard, []).append(task.name)
    for need in needs:
        consumable = catalogue.consumables.get(need.item)
        for hazard in consumable.hazards if consumable is not None else ():
            if need.item not in steps.setdefault(hazard, []):
                steps[hazard].append(need.item)
    return tuple(
        Caution(hazard, tuple(steps[code]))
        for code, hazard in catalogue.hazards.items()
        if code in steps
    )


def make_quote(
    catalogue: Catalogue,
    shop: Shop,
    request: Request,
    repair: Repair,
    operated: tuple[Operated, ...],
    extras: tuple[Extra, ...],
) -> Quote:
    """Return the quote around a repair."""
    on = request.asked.on
    return Quote(
        request=request,
        shop=shop,
        repair=repair,
        operated=operated,
        extras=extras,
        cautions=find_cautions(catalogue, repair.labour, repair.kit.needs),
        parts_by=_parts_by(shop, repair, on),
        valid_until=on + timedelta(days=shop.quote.valid_days),
    )


def _parts_by(shop: Shop, repair: Repair, on: date) -> date | None:
    days = [
        shop.sublet[operation.job.sublet].days
        for operation in repair.jobs.operations
        if operation.job.sublet is not None
    ]
    ready = max((order.promised for order in repair.orders), default=None)
    if not days:
        return ready
    # sent-out work and parts come at the same time; whichever is later decides
    back = working_day(shop, on, max(days))
    return back if ready is None else max(back, ready)
