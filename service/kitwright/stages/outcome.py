"""Outcome: the result of the flow, with the lines, tax, totals, cautions and dates of a quote."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date, timedelta
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from typing import Literal

from msgspec import Struct, structs

from kitwright.catalogue.model import (
    Catalogue,
    Chassis,
    Hazard,
    HazardId,
    JobId,
    ServiceId,
    Shop,
)
from kitwright.money import Money, round_minor, total
from kitwright.stages.contingency import Prospect
from kitwright.stages.finding import Assessment, Ranked
from kitwright.stages.kit import Kit, Need
from kitwright.stages.ordering import PartsOrder
from kitwright.stages.price import Advance, LineKind, PricedLine, Totals
from kitwright.stages.ready import find_parts_by, find_ready_on
from kitwright.stages.request import MinutesOverride, Ordered, Request, Terms
from kitwright.stages.why import Fact, Why
from kitwright.stages.work import AccessPlan, Jobs, Labour, Operation
from kitwright.stages.work_plan import Step, Stop, WorkPlan
from kitwright.tax.area import rate_changes
from kitwright.tax.charges import ComponentTax, TaxedLine
from kitwright.units import exact


class Caution(Struct, frozen=True):
    """A hazard of this visit, and the steps with that hazard."""

    hazard: Hazard
    steps: tuple[str, ...]


class Extra(Struct, frozen=True, kw_only=True):
    """An optional job. `price` is the extra cost of the entire visit with it, including tax if that
    is known.

    `lines` are those of the visit with the job, before the counter's changes.
    """

    job: JobId
    name: str
    cylinders: tuple[int, ...]
    price: Money
    minutes: int
    default: str
    reason: str
    needs: tuple[Need, ...]
    lines: tuple[PricedLine, ...]


class Saving(Struct, frozen=True, kw_only=True):
    """What the visit costs less, and how many billed minutes less it takes, without one operation.

    `lines` are those of the visit without it, before the counter's changes.
    """

    operation: Operation
    price: Money
    minutes: int
    lines: tuple[PricedLine, ...]


class Operated(Struct, frozen=True):
    """An operation with its billed minutes, as the only job and together with the others here.

    `minutes_computed` are the minutes here before any override. `stays` is why a customer can't
    leave it out, None if a customer can.
    """

    operation: Operation
    minutes_alone: int
    minutes_here: int
    minutes_computed: int
    why: tuple[Why, ...]
    stays: Why | None = None


class Repair(Struct, frozen=True, kw_only=True):
    """One way to do the work, planned, priced and taxed. `chassis` is the chassis assumed for the
    engine, None for a loose engine. `orders` are what would be ordered if nothing had been, `still`
    what is left of that to be ordered.
    """

    chassis: Chassis | None
    jobs: Jobs
    plan: AccessPlan
    labour: Labour
    kit: Kit
    orders: tuple[PartsOrder, ...]
    still: tuple[PartsOrder, ...]
    lines: tuple[PricedLine, ...]
    advances: tuple[Advance, ...]
    line_taxes: tuple[TaxedLine, ...] | None
    taxes: tuple[ComponentTax, ...]
    freed: tuple[ComponentTax, ...]
    totals: Totals

    @property
    def price(self) -> Money:
        """The price of the repair, including tax if that is known."""
        return self.totals.price


def charges_of(repair: Repair, ordered: Ordered | None) -> Money:
    """Return the fees and freight of what was ordered for a repair before, and of what is still to
    be ordered, without tax.
    """
    currency = repair.totals.price.currency
    before = Money.of(Decimal(0) if ordered is None else ordered.charged, currency)
    return total((before, *(order.charges for order in repair.still)), currency)


def landed_cost(repair: Repair, ordered: Ordered | None) -> Money:
    """Return what the shop pays for a repair's orders, without tax: goods, fees and freight. What
    was ordered before counts at what it cost, and only what is left is bought.
    """
    charges = charges_of(repair, ordered)
    before = Money.of(Decimal(0) if ordered is None else ordered.goods, charges.currency)
    goods = total((order.goods for order in repair.still), charges.currency)
    return charges + before + goods


class Margin(Struct, frozen=True, kw_only=True):
    """What a repair leaves the shop for wages and overheads, without tax.

    `sold` is all that is charged but core deposits, which are paid back. `landed` is what the
    orders cost, with fees and freight, `from_stock` what the stock cost that is used, `sublet` what
    others charge for their work. `freight_kept` is the freight that is charged, less what the
    orders' fees and freight come to. `minutes` are billed.
    """

    sold: Money
    landed: Money
    from_stock: Money
    sublet: Money
    freight_kept: Money
    minutes: int

    @property
    def left(self) -> Money:
        """The amount that is left, below zero for a loss."""
        return self.sold - self.landed - self.from_stock - self.sublet


def margin_of(shop: Shop, repair: Repair, ordered: Ordered | None) -> Margin | None:
    """Return what a repair leaves the shop, None if its tax is not known."""
    if repair.line_taxes is None:
        return None
    currency = shop.currency
    nets = [
        (line.kind, taxed.net) for line, taxed in zip(repair.lines, repair.line_taxes, strict=True)
    ]
    charged = total((net for kind, net in nets if kind is LineKind.freight), currency)
    in_stock = round_minor(sum((each.cost for each in repair.kit.from_stock), Fraction(0)))
    sublet = [
        exact(line.quantity) * exact(shop.sublet[ServiceId(line.code)].cost)
        for line in repair.lines
        if line.kind is LineKind.sublet
    ]
    return Margin(
        sold=total((net for kind, net in nets if kind is not LineKind.core), currency),
        landed=landed_cost(repair, ordered),
        from_stock=Money(in_stock, currency),
        sublet=Money.of(sum(sublet, Fraction(0)), currency),
        freight_kept=charged - charges_of(repair, ordered),
        minutes=repair.labour.billed,
    )


class Compared(Struct, frozen=True, kw_only=True):
    """The labour, kit, lines and price of some jobs, for comparison with other jobs."""

    labour: Labour
    kit: Kit
    lines: tuple[PricedLine, ...]
    price: Money


class Planned(Struct, frozen=True, kw_only=True):
    """The steps of a repair, and the prices of stopping where one decides, as computed."""

    plan: WorkPlan
    stops: tuple[Stop, ...]


class Sooner(Struct, frozen=True, kw_only=True):
    """The cheapest purchase with which all is there as early as it can be: its landed cost, without
    tax, the day on which all is there, and the price of the quote with it.
    """

    landed: Money
    ready_on: date
    price: Money


class Draft(Struct, frozen=True, kw_only=True, eq=False):
    """A quote before the counter changes its lines or parts, the same for requests that are alike.

    Compared by identity, so that it can be the key under which results from it are cached.
    """

    repair: Repair
    operated: tuple[Operated, ...]
    extras: tuple[Extra, ...]
    savings: tuple[Saving, ...]
    cautions: tuple[Caution, ...]
    parts_by: date | None
    sooner: Sooner | None
    planned: Planned


class InPlay(Struct, frozen=True, kw_only=True):
    """Faults that the same repair would fix, and its price and billed minutes as a separate visit;
    the price includes tax if that is known.
    """

    faults: tuple[Ranked, ...]
    operations: tuple[Operation, ...]
    price: Money
    minutes: int


class Basis(Struct, frozen=True, kw_only=True):
    """The assessed findings that a quote is based on. If `is_repair` is false, they do not support
    a repair yet, and the quote is for a test or other work that comes first.

    `in_play` lists the repairs that may follow, or that are also possible and not quoted.
    """

    assessment: Assessment
    is_repair: bool
    in_play: tuple[InPlay, ...] = ()


AskedFor = Literal["value", "age_years", "hours"]
"""A fact of a machine's worth that is asked for."""


class CourseName(StrEnum):
    """A way to put a fault right, the best last."""

    least = "least"
    recommended = "recommended"
    thorough = "thorough"
    short_block = "short_block"
    engine = "engine"


class Course(Struct, frozen=True, kw_only=True):
    """One of several ways to put a fault right, as a whole quote.

    `also` are the courses that come to the same jobs. `unfixed` are the jobs of better repairs that
    it leaves out, and `dearer_than` the better courses that cost less, with by how much;
    `above_machine` is by how much it costs more than another machine, None if it does not.
    """

    name: CourseName
    also: tuple[CourseName, ...]
    outcome: Outcome
    unfixed: tuple[Operation, ...]
    dearer_than: tuple[tuple[CourseName, Money], ...] = ()
    above_machine: Money | None = None

    @property
    def names(self) -> tuple[CourseName, ...]:
        """All names of the course, its own first."""
        return (self.name, *self.also)

    @property
    def price(self) -> Money:
        """The price of the course, including tax if that is known."""
        return self.outcome.repair.price


class Worth(Struct, frozen=True, kw_only=True):
    """What is known of a machine's worth; None: not known."""

    value: Money | None = None
    age_years: int | None = None
    hours: int | None = None
    replacement_price: Money | None = None

    @property
    def missing(self) -> tuple[AskedFor, ...]:
        """The facts that are still to be asked for."""
        known: dict[AskedFor, object] = {
            "value": self.value,
            "age_years": self.age_years,
            "hours": self.hours,
        }
        return tuple(name for name, fact in known.items() if fact is None)


class AnotherMachine(Struct, frozen=True, kw_only=True):
    """Another machine instead of a repair, which the shop does not sell by a quote.

    `price` is the figure that was given for it, `owed` the diagnosis, which no repair gives credit
    for, and `value` what the machine at hand is worth. `unfixed` are the jobs that are not done.
    """

    price: Money
    owed: Money
    value: Money
    unfixed: tuple[Operation, ...]

    @property
    def total(self) -> Money:
        """What it comes to, with the diagnosis."""
        return self.price + self.owed


class AdviceLevel(StrEnum):
    """How much speaks against a repair, by the shop's thresholds."""

    none = "none"
    consider = "consider"
    strong = "strong"


class Advice(Struct, frozen=True, kw_only=True):
    """What speaks for repairing and for replacing: never a decision. `missing` are the facts of the
    machine's worth that are still to be asked for.
    """

    level: AdviceLevel
    reasons: tuple[Why, ...]
    missing: tuple[AskedFor, ...]
    replacement_price: Money | None


class Outcome(Struct, frozen=True, kw_only=True):
    """The complete answer to a request: its draft, and the repair, the optional jobs and the
    savings with the counter's changes. `savings` has one for each operation, or none if there is
    only one.

    `stops` do not exceed the price. `parts_by` is the day by which all ordered parts and all sublet
    work should be there, None if there are none, or if no source can supply some part. `ready_on`
    is the day on which the work is finished, None if that is not known. `notes` name the missing
    parts and say what may change the amounts later.
    `estimates` is the revision of the shop's own estimates, None for the catalogue's.
    `basis` is None if no findings were given, `prospect` if contingencies were not requested,
    `sooner` if nothing that is bought can be there earlier.
    """

    request: Request
    shop: Shop
    draft: Draft
    repair: Repair
    operated: tuple[Operated, ...]
    extras: tuple[Extra, ...]
    savings: tuple[Saving, ...]
    plan: WorkPlan
    stops: tuple[Stop, ...]
    parts_by: date | None
    ready_on: date | None
    valid_until: date
    notes: tuple[Why, ...] = ()
    basis: Basis | None = None
    sooner: Sooner | None = None
    prospect: Prospect | None = None
    courses: tuple[Course, ...] = ()
    advised: CourseName | None = None
    advice: Advice | None = None
    machine: AnotherMachine | None = None
    estimates: int | None = None

    @property
    def is_of_draft(self) -> bool:
        """Whether the work is the draft's: only lines may differ, not minutes, kit or orders."""
        return self.repair.kit is self.draft.repair.kit

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """The hazards of the visit."""
        return self.draft.cautions

    @property
    def is_provisional(self) -> bool:
        """Whether a question about the engine's plate, or about its machine, is open."""
        return bool(self.repair.kit.questions or self.request.may_be)


def find_cautions(
    catalogue: Catalogue, labour: Labour, needs: Iterable[Need], planned: Iterable[Step]
) -> tuple[Caution, ...]:
    """Return the hazards of all work, unbilled steps and consumables of this visit, each once, in
    the catalogue's order.
    """
    steps: dict[HazardId, list[str]] = {}
    for task in labour.tasks:
        for hazard in task.hazards:
            steps.setdefault(hazard, []).append(task.name)
    for step in planned:
        if step.name in catalogue.ticks:
            for hazard in step.hazards:
                steps.setdefault(hazard, []).append(step.name)
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


def make_outcome(
    shop: Shop,
    request: Request,
    repair: Repair,
    extras: tuple[Extra, ...],
    savings: tuple[Saving, ...],
    draft: Draft,
    planned: Planned,
) -> Outcome:
    """Return the quote of a repair: the draft's own, or one that the counter has changed."""
    on = request.asked.on
    operated = draft.operated
    if repair.labour is not draft.repair.labour:
        operated = tuple(_changed(each, repair, request.asked.terms) for each in operated)
    parts_by = draft.parts_by
    if repair.kit is not draft.repair.kit:
        parts_by = parts_day(shop, request, repair)
    valid_until = on + timedelta(days=shop.quote.valid_days)
    return Outcome(
        request=request,
        shop=shop,
        draft=draft,
        repair=repair,
        operated=operated,
        extras=extras,
        savings=savings,
        plan=planned.plan,
        stops=tuple(stop.up_to(repair.price) for stop in planned.stops),
        parts_by=parts_by,
        ready_on=find_ready_on(shop, request.asked, repair.kit, parts_by, repair.labour.billed),
        valid_until=valid_until,
        notes=(
            *_come_back_notes(request),
            *_unfilled_notes(repair),
            *_element_notes(shop, repair),
            *_rate_notes(request, repair, max(valid_until, parts_by or valid_until)),
        ),
    )


def _come_back_notes(request: Request) -> Iterator[Why]:
    """Yield which earlier visit this one follows, and what the shop bears, job by job."""
    found = request.asked.come_back
    if found is None:
        return
    facts: dict[str, Fact] = {"visit": found.visit, "came_back": found.on}
    if found.since is None:
        yield Why("came-back-uncollected", facts)
    else:
        yield Why("came-back", {**facts, "collected": found.since})
    yield Why(f"warranty-{found.ground.value}", {"missing": found.part, "until": found.until})
    for job in request.asked.terms.covered or ():
        yield Why("warranty-job", {"job": job.job, "cylinder": job.cylinder})
    yield Why("warranty-by-law")


def _unfilled_notes(repair: Repair) -> Iterator[Why]:
    """Yield a note for each part that no source can supply."""
    for item in dict.fromkeys(unfilled.item for unfilled in repair.kit.unfilled):
        yield Why("part-not-available", {"missing": item})


def _element_notes(shop: Shop, repair: Repair) -> Iterator[Why]:
    """Yield a note if minutes of the quote follow from fasteners, which may be off by more."""
    minutes = repair.plan.by_elements
    if minutes:
        yield Why(
            "minutes-from-elements",
            {
                "minutes": round_minor(minutes),
                "percent": shop.labour.elements_spread_percent,
            },
        )


def _rate_notes(request: Request, repair: Repair, until: date) -> Iterator[Why]:
    """Yield a note for each tax rate of the quote that changes after its day, up to `until`."""
    area = request.tax_area
    if area is None:
        return
    kinds = {line.tax_kind.value for line in repair.lines} - request.exempt_kinds
    for change in rate_changes(area, kinds, on=request.asked.on, until=until):
        yield Why(
            "tax-rate-changes",
            {
                "tax": change.component.name,
                "rate": change.before,
                "new_rate": change.after,
                "first_day": change.first_day,
            },
        )


def _changed(operated: Operated, repair: Repair, terms: Terms) -> Operated:
    """Return an operation with its present minutes, and the name of the person who set them."""
    operation = operated.operation
    reasons = tuple(
        Why("minutes-overridden", {"reason": each.reason, "by": each.by})
        for each in terms.overrides
        if isinstance(each, MinutesOverride)
        and (each.job, each.cylinder) == (operation.job.id, operation.cylinder)
    )
    return structs.replace(
        operated,
        minutes_here=repair.labour.minutes_of(operation.key),
        why=(*operated.why, *reasons),
        stays=operated.stays or (Why("changed-by-counter") if reasons else None),
    )


def parts_day(shop: Shop, request: Request, repair: Repair) -> date | None:
    """Return the day by which all that a repair waits for should be there; see `find_parts_by`."""
    operations = repair.jobs.operations
    return find_parts_by(shop, request.asked, repair.kit, repair.still, operations)
