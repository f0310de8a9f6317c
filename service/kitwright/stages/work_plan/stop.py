"""Stop: what is due if the customer stops the work before it is done."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from math import ceil
from typing import Final

from msgspec import Struct, structs

from kitwright.catalogue.model import ChargeKind, LabourClass, Shop
from kitwright.money import Money, line_amount
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
from kitwright.units import decimal_text, exact

STOPPED = "stopped"
"""The code of the labour lines of a stop."""
PLACES: Final = 6
"""How many decimal places a quantity has at most."""

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
    what was fitted or used up and, if it is refitted, what has to be renewed for that (a set that
    was opened entirely), sublet work and lines added by hand that were done, and the diagnostic fee
    without its credit. In boxes, nothing is filled or fitted any more.

    Args:
        plan: the steps.
        lines: those of the quote, which goods, fees and added lines are taken from.
        needs: those of the kit.
        before: the number of the step, from 1; one more than there are for all.
    """
    due = _due(plan, before)

    def price(*, in_boxes: bool) -> Money:
        used = _used(shop, plan, lines, needs, due, in_boxes=in_boxes)
        fixed = (_part_of(lines[one.place], one.share) for one in used.shares)
        return price_of(shop, request, (*_labour(shop, used.minutes), *fixed))

    return Stop(
        before=before,
        done=sum(due.done.values(), Fraction(0)),
        to_refit=sum(due.to_refit.values(), Fraction(0)),
        refitted=price(in_boxes=False),
        in_boxes=price(in_boxes=True),
    )


class Share(Struct, frozen=True):
    """How much of the line at a place, from 0, is due: a share above zero, 1 for all of it."""

    place: int
    share: Fraction


class UsedUp(Struct, frozen=True):
    """What is due of a quote whose work stops: the billed minutes of each labour class, for all
    machines, and the shares of the other lines.
    """

    minutes: dict[LabourClass, int]
    shares: tuple[Share, ...]


def find_used(
    shop: Shop,
    plan: WorkPlan,
    lines: Sequence[PricedLine],
    needs: Sequence[Need],
    *,
    before: int,
    in_boxes: bool,
    kept: Collection[tuple[str, int | None]] = (),
) -> UsedUp:
    """Return what is due if the work stops before a step, as `find_stop` says.

    Args:
        in_boxes: whether the machine is returned in boxes instead of refitted.
        kept: the roles whose parts can't go back to their supplier, although they are not used.
    """
    due = _due(plan, before)
    return _used(shop, plan, lines, needs, due, in_boxes=in_boxes, kept=kept)


class _Due(Struct, frozen=True):
    """A plan that stops before a step: the steps done, those of them that took off what is still
    off, the exact minutes done, and those of refitting what is off.
    """

    steps: tuple[Step, ...]
    off: list[Step]
    done: _Minutes
    to_refit: _Minutes


def _due(plan: WorkPlan, before: int) -> _Due:
    steps, left = plan.steps[: before - 1], plan.steps[before - 1 :]
    off = _off(steps)
    return _Due(steps, off, _minutes(steps), _minutes(_refits(off, left)))


def _used(
    shop: Shop,
    plan: WorkPlan,
    lines: Sequence[PricedLine],
    needs: Sequence[Need],
    due: _Due,
    *,
    in_boxes: bool,
    kept: Collection[tuple[str, int | None]] = (),
) -> UsedUp:
    minutes = _billed(shop, _charged(shop, due, in_boxes=in_boxes), plan.machines)
    # what comes off is not refitted, so nothing is renewed for that
    renewed = () if in_boxes else due.off
    shares = (*_goods(lines, needs, due.steps, renewed, kept), *_others(lines, due.steps))
    return UsedUp(minutes, shares)


def _charged(shop: Shop, due: _Due, *, in_boxes: bool) -> _Minutes:
    """Return the exact minutes that are charged."""
    abort = shop.fees.abort
    part = Fraction(1)
    if in_boxes:
        part -= exact(abort.return_in_boxes_discount_percent) / 100
    minutes = {**due.done} if abort.charge_done else {}
    for name, more in due.to_refit.items():
        minutes[name] = minutes.get(name, Fraction(0)) + more * part
    return minutes


def part_of(quantity: Decimal, share: Fraction) -> Decimal:
    """Return a share of a quantity, rounded to millionths of the unit if it has no end."""
    return Decimal(decimal_text(exact(quantity) * share, PLACES))


def _part_of(line: PricedLine, share: Fraction) -> PricedLine:
    if share == 1:
        return line
    quantity = part_of(line.quantity, share)
    amount = line_amount(
        quantity, line.unit_price, line.base_quantity, currency=line.amount.currency
    )
    return structs.replace(line, quantity=quantity, amount=amount)


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
    # most minutes have the same denominator, so they are added up as whole numbers
    tops: dict[tuple[LabourClass, int], int] = {}
    for step in steps:
        if step.labour_class is not None and step.minutes:
            top, bottom = step.minutes.as_integer_ratio()
            key = step.labour_class, bottom
            tops[key] = tops.get(key, 0) + top
    found: _Minutes = {}
    for (name, bottom), top in tops.items():
        more = Fraction(top, bottom)
        found[name] = found[name] + more if name in found else more
    return found


def _billed(shop: Shop, minutes: _Minutes, machines: int) -> dict[LabourClass, int]:
    """Return the minutes that are billed for exact ones of one machine, at least the minimum."""
    labour = shop.labour
    step = labour.increment_minutes
    billed = {name: ceil(each / step) * step for name, each in sorted(minutes.items())}
    short = labour.minimum_bench_minutes - sum(billed.values())
    if short > 0 and any(billed.values()):
        name = labour.minimum_bench_class
        billed[name] = billed.get(name, 0) + short
    return {name: each * machines for name, each in billed.items()}


def _labour(shop: Shop, minutes: Mapping[LabourClass, int]) -> Iterator[PricedLine]:
    for name, each in minutes.items():
        yield price_line(
            LineKind.labour,
            STOPPED,
            quantity=each,
            unit="minute",
            unit_price=shop.labour.rates[name],
            base_quantity=60,
            currency=shop.currency,
            tax_kind=ChargeKind.labour,
            why=(),
            labour_class=name,
        )


def _goods(
    lines: Sequence[PricedLine],
    needs: Sequence[Need],
    done: Iterable[Step],
    off: Iterable[Step],
    kept: Collection[tuple[str, int | None]],
) -> Iterator[Share]:
    """Yield the part of each line of goods that was fitted or used up, is renewed when what is off
    is refitted, or is kept.
    """
    gone = {(need.role, need.cylinder) for step in done for need in step.uses} | set(kept)
    for step in off:
        if step.instance is not None:
            gone |= {(str(role), on) for role, on in step.instance.renews}
    quantities: dict[tuple[str, int | None], Decimal] = {}
    for need in needs:
        key = need.role, need.cylinder
        quantities[key] = quantities.get(key, Decimal(0)) + need.quantity
    for index, line in enumerate(lines):
        if line.kind not in GOODS or line.kind is LineKind.core:
            continue
        used = sum((quantities[one] for one in line.places if one in gone), Decimal(0))
        if not used:
            continue
        whole = sum((quantities[one] for one in line.places), Decimal(0))
        is_whole = line.kind is LineKind.part_set
        yield Share(index, Fraction(1) if is_whole else exact(used) / exact(whole))


def _others(lines: Sequence[PricedLine], done: Iterable[Step]) -> Iterator[Share]:
    """Yield the diagnostic fee, and the sublet work and added lines that were done."""
    names = {step.name for step in done}
    for index, line in enumerate(lines):
        if line.code == DIAGNOSTIC_FEE:
            is_due = True
        elif line.kind is LineKind.sublet and line.operation is not None:
            is_due = place(line.code, line.operation[1] or None) in names
        else:
            is_due = (
                line.kind is LineKind.free and f"{HAND}{line.code.removeprefix('free-')}" in names
            )
        if is_due:
            yield Share(index, Fraction(1))
