"""Requests drawn at random: the work first, then changes that fit its quote.

Every function takes its choices from a `Random`: one with a seed, or one that Hypothesis drives.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from functools import cache
from random import Random

from msgspec import structs
from tests.stages.drawn_shops import CHANGE, KINDS, figure, maybe, money, some
from tests.stages.workbench import LATE_V68, starter

from kitwright.catalogue.graph import job_fits
from kitwright.catalogue.model import (
    LOOSE,
    ChargeKind,
    Family,
    FamilyId,
    ItemId,
    JobScope,
    Quality,
    Scope,
    Shop,
)
from kitwright.flow import quote_repair
from kitwright.money import Money, total
from kitwright.stages.outcome import Outcome
from kitwright.stages.price import LineKind, PricedLine, adjust_lines
from kitwright.stages.request import (
    Asked,
    AskedDiagnosis,
    AskedJob,
    Condition,
    CustomerPart,
    Debris,
    Discount,
    Exempt,
    FloorChange,
    FreeLine,
    LineRef,
    MinutesOverride,
    PriceOverride,
    Rust,
    Terms,
)
from kitwright.workshop import Workshop


@cache
def jobs_of(name: FamilyId) -> tuple[AskedJob, ...]:
    """Return every job that a family can have, on every cylinder."""
    plain = starter()
    family = plain.families[name]
    return tuple(
        AskedJob(job.id, cylinder)
        for job in plain.jobs.values()
        if job_fits(plain, family, job)
        for cylinder in _places(job.scope, family)
    )


@cache
def diagnoses_of(name: FamilyId) -> tuple[AskedDiagnosis, ...]:
    """Return every diagnosis that a family can have, on every cylinder."""
    family = starter().families[name]
    return tuple(
        AskedDiagnosis(diagnosis.code, cylinder)
        for diagnosis in starter().diagnoses.values()
        for cylinder in _places(diagnosis.scope, family)
    )


def _places(scope: JobScope, family: Family) -> tuple[int | None, ...]:
    return (None,) if scope is JobScope.engine else tuple(range(1, family.cylinders + 1))


def draw_work(random: Random, workshop: Workshop) -> Asked:
    """Return a request without any change by the counter but floors and the number of machines."""
    catalogue, shop = workshop.catalogue, workshop.shop
    family = catalogue.families[random.choice(sorted(catalogue.families))]
    carriers = [row.id for row in catalogue.chassis.values() if family.layout in row.layouts]
    jobs = some(random, jobs_of(family.id), 3)
    diagnoses = some(random, diagnoses_of(family.id), 2)
    if not jobs and not diagnoses:
        jobs = (random.choice(jobs_of(family.id)),)
    on = date(2027, 1, 4) + timedelta(days=random.randint(0, 360))
    if maybe(random, 0.2):
        on = CHANGE - timedelta(days=random.randint(0, 1))
    roles = {row.role for row in catalogue.fitments[family.id]}
    edges = [row.at + step for row in family.serial_break for step in (-1, 0)]
    return Asked(
        family=family.id,
        on=on,
        serial=random.choice([None, 0, 9_999_999, LATE_V68, *edges]),
        chassis=random.choice([LOOSE, *carriers]),
        diagnoses=diagnoses,
        jobs=jobs,
        scope=random.choice([*Scope]),
        condition=Condition(
            rust=random.choice([*Rust]),
            debris=random.choice([*Debris]),
            previous_work=maybe(random, 0.3),
        ),
        diagnostic_done=maybe(random, 0.5),
        needed_by=on + timedelta(days=random.randint(0, 20)) if maybe(random, 0.3) else None,
        tax_area=None if maybe(random, 0.05) else random.choice([*catalogue.tax_areas]),
        terms=Terms(
            machines=random.choice([1, 1, 1, 2, 3, 5]),
            floors=tuple(
                FloorChange(role=role, quality=random.choice([*Quality]), reason="r", by="b")
                for role in some(random, sorted(roles & shop.quality_floor.keys()), 2)
                if maybe(random, 0.4)
            ),
        ),
    )


def draw_terms(random: Random, workshop: Workshop, work: Asked) -> Asked:
    """Return a request with changes that fit its quote: what they name is read off the quote."""
    plain = quote_repair(workshop, work)
    area = plain.request.tax_area
    exemption = None
    if area is not None and area.exemption is not None and maybe(random, 0.2):
        exemption = Exempt(certificate_number="C-1", valid_until=work.on)
    terms = structs.replace(
        work.terms,
        exemption=exemption,
        overrides=tuple(_minutes(random, plain)) if maybe(random, 0.25) else (),
        customer_parts=_customer_parts(random, plain) if maybe(random, 0.25) else (),
        prepaid=money(Fraction(random.randint(0, 30_000), 100), workshop.shop.currency)
        if maybe(random, 0.3)
        else Decimal(0),
        pays_cash=maybe(random, 0.4),
    )
    if maybe(random, 0.3):
        terms = structs.replace(terms, free_lines=tuple(_free_lines(random, workshop.shop)))
    if terms.changes_work:
        # labour by hand may leave nothing of the bench minimum
        plain = quote_repair(workshop, structs.replace(work, terms=terms))
    lines = tuple(line for line in plain.repair.lines if line.kind is not LineKind.free)
    if maybe(random, 0.3):
        prices = _prices(random, lines)
        terms = structs.replace(terms, overrides=(*terms.overrides, *prices))
    if maybe(random, 0.5):
        lines = adjust_lines(lines, terms, workshop.shop.currency)
        terms = structs.replace(terms, discounts=tuple(_discounts(random, workshop.shop, lines)))
    return structs.replace(work, terms=terms)


def _minutes(random: Random, quote: Outcome) -> Iterator[MinutesOverride]:
    for each in some(random, quote.operated, 3):
        yield MinutesOverride(
            job=each.operation.job.id,
            cylinder=each.operation.cylinder,
            minutes=random.choice([0, 1, 7, 30, 61, 600, random.randint(0, 1000)]),
            reason="r",
            by="b",
        )


def _customer_parts(random: Random, quote: Outcome) -> tuple[CustomerPart, ...]:
    wanted: dict[ItemId, Fraction] = {}
    waiting = set()
    for need in quote.repair.kit.needs:
        if need.is_question:
            waiting.add(need.item)
        elif need.item in starter().parts:
            wanted[need.item] = wanted.get(need.item, Fraction(0)) + Fraction(need.quantity)
    machines = quote.request.asked.terms.machines
    return tuple(
        CustomerPart(
            item=item,
            quantity=random.choice([None, random.randint(1, int(wanted[item]) // machines)]),
        )
        for item in some(random, sorted(wanted.keys() - waiting), 3)
    )


def reference(line: PricedLine) -> LineRef:
    """Return all that tells a line from others."""
    return LineRef(
        code=line.code,
        kind=line.kind.value,
        cylinder=None if line.operation is None else line.operation[1] or None,
        labour_class=line.labour_class,
    )


def _single(lines: Sequence[PricedLine]) -> list[PricedLine]:
    """Return the lines that can be told from all others."""
    told = [reference(line) for line in lines]
    return [line for line, each in zip(lines, told, strict=True) if told.count(each) == 1]


def _prices(random: Random, lines: Sequence[PricedLine]) -> Iterator[PriceOverride]:
    for line in some(random, _single(lines), 3):
        if line.unit_price >= 0:
            factor = random.choice([Fraction(0), Fraction(1, 3), Fraction(9, 10), Fraction(2)])
            price = figure(Fraction(line.unit_price) * factor)
            yield PriceOverride(line=reference(line), unit_price=price, reason="r", by="b")


def _free_lines(random: Random, shop: Shop) -> Iterator[FreeLine]:
    for _ in range(random.randint(1, 3)):
        price = Fraction(random.randint(0, 9000), 100)
        yield FreeLine(
            description="Written by hand",
            kind=random.choice(KINDS),
            quantity=figure(Fraction(random.choice([0, 1, 250, 333, 1000, 17_500]), 1000)),
            unit=random.choice(["piece", "minute", "hour"]),
            unit_price=money(price, shop.currency, finer=random.randint(0, 2)),
            reason="r",
            by="b",
        )


def _discounts(random: Random, shop: Shop, lines: Sequence[PricedLine]) -> Iterator[Discount]:
    """Yield discounts of up to three lines and up to two of the whole: all per cent, or amounts
    that together leave a half.
    """
    currency = shop.currency
    is_percent = maybe(random, 0.7)
    reduced = [line for line in _single(lines) if line.amount.minor > 0]
    for line in some(random, reduced, 3):
        yield _discount(random, line.amount, reference(line), is_percent=is_percent)
    kinds: dict[ChargeKind, Money] = {}
    for line in lines:
        if line.tax_kind is not ChargeKind.core:
            kinds[line.tax_kind] = kinds.get(line.tax_kind, Money(0, currency)) + line.amount
    least = total((each for each in kinds.values() if each.minor > 0), currency)
    for _ in range(random.randint(0, 2)):
        yield _discount(random, Money(least.minor // 2, currency), None, is_percent=is_percent)


def _discount(random: Random, most: Money, line: LineRef | None, *, is_percent: bool) -> Discount:
    """Return a discount of a percentage, or of at most half of an amount."""
    amount = Money(random.randint(0, most.minor // 2), most.currency).amount
    if is_percent or not amount:
        hundredths = random.choice([10_000, 10_000, 5000, 1000, 1, random.randint(1, 10_000)])
        percent = figure(Fraction(hundredths, 100))
        return Discount(reason="r", by="b", line=line, percent=percent)
    return Discount(reason="r", by="b", line=line, amount=amount)
