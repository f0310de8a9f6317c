"""Stop: what is due if the customer stops the work before it is done."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from fractions import Fraction
from math import ceil

from msgspec import Struct, structs

from kitwright.catalogue.model import ChargeKind, LabourClass, Shop
from kitwright.money import Money, round_ratio
from kitwright.stages.kit import Need
from kitwright.stages.price import (
    DIAGNOSTIC_FEE,
    GOODS,
    LineKind,
    PricedLine,
    price_line,
    price_of,
)
from kitwright.stages.request import Request
from kitwright.stages.why import place
from kitwright.stages.work_plan.rules import OFF, ON
from kitwright.stages.work_plan.step import HAND, Step, WorkPlan
from kitwright.units import exact

STOPPED = "stopped"
"""The code of the labour lines of a stop."""

_Minutes = dict[LabourClass, Fraction]


class Stop(Struct, frozen=True, kw_only=True):
    """What is due if the work stops before a step, counted from 1.

    `done` are the exact minutes of the steps before it, `to_refit` those of refitting what is off
    then, both of one machine. `refitted` is due if it is refitted, `in_boxes` if the machine is
    returned in boxes; both include tax if that is known, and are for all machines.
    """

    before: int
    done: Fraction
    to_refit: Fraction
    refitted: Money
    in_boxes: Money

    def up_to(self, price: Money) -> Stop:
        """Return the stop with prices that do not exceed the price of the quote."""
        return structs.replace(
            self, refitted=min(self.refitted, price), in_boxes=min(self.in_boxes, price)
        )


def find_stops(
    shop: Shop, request: Request, plan: WorkPlan, lines: Sequence[PricedLine], needs: Sequence[Need]
) -> Iterator[Stop]:
    """Yield the stops before the steps at which one decides: of each component that the catalogue
    marks, the first to come off.
    """
    seen = set()
    for index, step in enumerate(plan.steps):
        instance = step.instance
        if instance is None or not instance.component.decide_before:
            continue
        if step.name.startswith(OFF) and instance.component.id not in seen:
            seen.add(instance.component.id)
            yield find_stop(shop, request, plan, lines, needs, before=index + 1)


def find_stop(
    shop: Shop,
    request: Request,
    plan: WorkPlan,
    lines: Sequence[PricedLine],
    needs: Sequence[Need],
    *,
    before: int,
) -> Stop:
    """Return what is due if the work stops before a step.

    Charged are the minutes done, unless the shop does not charge them, and those of refitting what
    is off, or these with the shop's discount if it is returned in boxes. The minutes of each class
    are rounded up to the shop's increment, and together at least the bench minimum. To that come
    what was fitted, used up or destroyed (a set that was opened entirely), sublet work and lines
    added by hand that were done, and the diagnostic fee without its credit.

    Args:
        plan: the steps.
        lines: those of the quote, which goods, fees and added lines are taken from.
        needs: those of the kit.
        before: the number of the step, from 1; one more than there are for all.
    """
    done = plan.steps[: before - 1]
    off = _off(done)
    minutes_done = _minutes(done)
    to_refit = _minutes(_refits(off, plan.steps[before - 1 :]))
    discount = exact(shop.fees.abort.return_in_boxes_discount_percent) / 100
    fixed = (*_goods(lines, needs, done, off), *_others(lines, done))
    charged = minutes_done if shop.fees.abort.charge_done else {}

    def price(part: Fraction) -> Money:
        minutes = dict(charged)
        for name, more in to_refit.items():
            minutes[name] = minutes.get(name, Fraction(0)) + more * part
        labour = _labour(shop, minutes, plan.machines)
        return price_of(shop, request, (*labour, *fixed))

    return Stop(
        before=before,
        done=sum(minutes_done.values(), Fraction(0)),
        to_refit=sum(to_refit.values(), Fraction(0)),
        refitted=price(Fraction(1)),
        in_boxes=price(1 - discount),
    )


def _off(done: Iterable[Step]) -> list[Step]:
    """Return the steps that took off, or set up, what is still off after some steps."""
    off: dict[str, Step] = {}
    for step in done:
        if step.instance is not None:
            if step.name.startswith(OFF):
                off[step.instance.id] = step
            else:
                del off[step.instance.id]
    return list(off.values())


def _refits(off: Iterable[Step], left: Iterable[Step]) -> Iterator[Step]:
    """Yield those of the steps left that refit what is off."""
    names = set()
    for step in off:
        if step.instance is not None:
            node = step.instance
            names.add(f"{ON}{node.id}")
            names |= {place(row.id, node.cylinder) for row in node.component.refit_work}
    return (step for step in left if step.name in names)


def _minutes(steps: Iterable[Step]) -> _Minutes:
    found: _Minutes = {}
    for step in steps:
        if step.labour_class is not None and step.minutes:
            name = step.labour_class
            found[name] = found.get(name, Fraction(0)) + step.minutes
    return found


def _labour(shop: Shop, minutes: _Minutes, machines: int) -> Iterator[PricedLine]:
    labour = shop.labour
    step = labour.increment_minutes
    billed = {name: ceil(each / step) * step for name, each in sorted(minutes.items())}
    short = labour.minimum_bench_minutes - sum(billed.values())
    if short > 0 and any(billed.values()):
        name = labour.minimum_bench_class
        billed[name] = billed.get(name, 0) + short
    for name, each in billed.items():
        yield price_line(
            LineKind.labour,
            STOPPED,
            quantity=each * machines,
            unit="minute",
            unit_price=labour.rates[name],
            base_quantity=60,
            currency=shop.currency,
            tax_kind=ChargeKind.labour,
            why=(),
            labour_class=name,
        )


def _goods(
    lines: Sequence[PricedLine], needs: Sequence[Need], done: Iterable[Step], off: Iterable[Step]
) -> Iterator[PricedLine]:
    """Yield the part of each line of goods that was fitted, used up or destroyed."""
    gone = {(need.role, need.cylinder) for step in done for need in step.uses}
    for step in off:
        if step.instance is not None:
            gone |= {(str(role), on) for role, on in step.instance.renews}
    quantities: dict[tuple[str, int | None], Decimal] = {}
    for need in needs:
        key = need.role, need.cylinder
        quantities[key] = quantities.get(key, Decimal(0)) + need.quantity
    for line in lines:
        if line.kind not in GOODS or line.kind is LineKind.core:
            continue
        used = sum((quantities[one] for one in line.places if one in gone), Decimal(0))
        if not used:
            continue
        if line.kind is LineKind.part_set:
            yield line
            continue
        whole = sum((quantities[one] for one in line.places), Decimal(0))
        top, bottom = (exact(used) / exact(whole)).as_integer_ratio()
        minor = round_ratio(line.amount.minor * top, bottom)
        yield structs.replace(line, amount=Money(minor, line.amount.currency))


def _others(lines: Sequence[PricedLine], done: Iterable[Step]) -> Iterator[PricedLine]:
    """Yield the diagnostic fee, and the sublet work and added lines that were done."""
    names = {step.name for step in done}
    for line in lines:
        if line.code == DIAGNOSTIC_FEE:
            yield line
        elif line.kind is LineKind.sublet and line.operation is not None:
            if place(line.code, line.operation[1] or None) in names:
                yield line
        elif line.kind is LineKind.free and f"{HAND}{line.code.removeprefix('free-')}" in names:
            yield line
