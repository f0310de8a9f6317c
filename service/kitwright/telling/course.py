"""Course: the courses of a quote and the advice, in one language."""

from __future__ import annotations

from kitwright import quote as wire
from kitwright.quote import amount_of
from kitwright.stages.outcome import Advice, Course, Outcome
from kitwright.stages.why import Why
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
        ready_on=quoted.ready_on,
        warranty=wire.WarrantyTerms(
            labour_days=warranty.labour_days,
            alternate_parts_days=warranty.alternate_parts_days,
            maker_parts=warranty.maker_parts,
        ),
        unfixed=tuple(map(teller.job, one.unfixed)),
        contingencies=tell_contingencies(quoted, teller),
        range=tell_range(quoted),
        reasons=teller.whys(
            Why("better-for-less", {"course": better.value, "dearer": one.name.value, "less": less})
            for better, less in one.dearer_than
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
