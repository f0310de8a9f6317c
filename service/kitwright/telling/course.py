"""Course: the courses of a quote and the advice, in one language."""

from __future__ import annotations

from collections.abc import Iterator

from kitwright import quote as wire
from kitwright.quote import amount_of
from kitwright.stages.outcome import Advice, AnotherMachine, Course, Outcome
from kitwright.stages.why import Fact, Why
from kitwright.telling.prospect import tell_contingencies, tell_range
from kitwright.telling.teller import Teller


def tell_courses(outcome: Outcome, teller: Teller) -> tuple[wire.Course, ...]:
    """Return the courses of a quote, the least first; empty if none were asked for."""
    return tuple(_course(one, outcome, teller) for one in outcome.courses)


def _course(one: Course, outcome: Outcome, teller: Teller) -> wire.Course:
    quoted = one.outcome
    warranty = outcome.shop.quote.warranty
    return wire.Course(
        course=one.name.value,
        also=tuple(each.value for each in one.also),
        name=teller.speaker.word(f"course-{one.name.value}"),
        is_advised=one.name is outcome.advised,
        jobs=tuple(map(teller.job, quoted.repair.jobs.operations)),
        minutes=quoted.repair.labour.billed,
        total=amount_of(one.price),
        more=amount_of(one.price - outcome.repair.price),
        parts_by=quoted.parts_by,
        ready_on=one.ready_on,
        warranty=wire.WarrantyTerms(
            labour_days=warranty.labour_days,
            alternate_parts_days=warranty.alternate_parts_days,
            maker_parts=warranty.maker_parts,
        ),
        unfixed=tuple(map(teller.job, one.unfixed)),
        contingencies=tell_contingencies(quoted, teller),
        range=tell_range(quoted),
        reasons=teller.whys((*_better(one), *_machine_for_less(one, outcome.machine))),
    )


def _better(one: Course) -> Iterator[Why]:
    for better, less in one.dearer_than:
        facts: dict[str, Fact] = {"course": better.value, "dearer": one.name.value, "less": less}
        yield Why("better-for-less", facts)


def _machine_for_less(one: Course, machine: AnotherMachine | None) -> Iterator[Why]:
    if machine is not None and one.above_machine is not None:
        yield Why("machine-for-less", {"price": machine.total, "less": one.above_machine})


def tell_machine(outcome: Outcome, teller: Teller) -> wire.AnotherMachine | None:
    """Return another machine beside the courses of a quote, None if there is none."""
    machine = outcome.machine
    if machine is None:
        return None
    owed = [Why("machine-fee-owed", {"owed": machine.owed})] if machine.owed.minor else []
    return wire.AnotherMachine(
        name=teller.speaker.say("Another machine"),
        price=amount_of(machine.price),
        owed=amount_of(machine.owed),
        total=amount_of(machine.total),
        more=amount_of(machine.total - outcome.repair.price),
        value=amount_of(machine.value),
        unfixed=tuple(map(teller.job, machine.unfixed)),
        reasons=teller.whys(
            (
                Why("machine-price-given", {"price": machine.price}),
                *owed,
                Why("machine-day-open"),
                Why("machine-warranty-open"),
                Why("machine-value-kept", {"value": machine.value}),
                Why("machine-by-declining"),
            )
        ),
    )


def tell_advice(advice: Advice | None, teller: Teller) -> wire.Advice | None:
    """Return what speaks for repairing and for replacing, None if no courses were asked for."""
    if advice is None:
        return None
    price = advice.replacement_price
    return wire.Advice(
        level=advice.level.value,
        reasons=teller.whys(advice.reasons),
        missing=advice.missing,
        replacement_price=None if price is None else amount_of(price),
    )
