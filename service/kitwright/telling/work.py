"""Work: the jobs, the access plan and the minutes of a quote."""

from __future__ import annotations

from msgspec import structs

from kitwright import quote as wire
from kitwright.fixed import UNSAFE
from kitwright.money import round_minor, share
from kitwright.quote import amount_of
from kitwright.stages.outcome import Operated, Outcome, Saving
from kitwright.stages.work import AccessPlan
from kitwright.telling.teller import Teller
from kitwright.units import decimal_text


def tell_jobs(outcome: Outcome, teller: Teller) -> tuple[wire.QuotedJob, ...]:
    """Return the jobs with their billed minutes."""
    savings = {each.operation.key: each for each in outcome.savings}
    return tuple(
        wire.QuotedJob(
            job=each.operation.job.id,
            name=teller.speaker.job(each.operation.job.id),
            cylinder=each.operation.cylinder,
            minutes_alone=each.minutes_alone,
            minutes_here=each.minutes_here,
            minutes_computed=each.minutes_computed,
            saves_if_left_out=_saving(savings.get(each.operation.key)),
            why=teller.whys(each.why),
            stays=_stays(each, teller),
        )
        for each in outcome.operated
    )


def _stays(operated: Operated, teller: Teller) -> wire.Reason | None:
    """Return why a customer can't leave a job out, None if a customer can."""
    if operated.stays is None:
        return None
    (told,) = teller.whys((operated.stays,))
    safety = operated.operation.job.safety
    if told.code != UNSAFE:
        return told
    return structs.replace(told, text=teller.speaker.text("job", safety))


def _saving(saving: Saving | None) -> wire.Saving | None:
    if saving is None:
        return None
    return wire.Saving(price=amount_of(saving.price), minutes=saving.minutes)


def tell_swallowed(outcome: Outcome, teller: Teller) -> tuple[wire.SwallowedJob, ...]:
    """Return the jobs that other jobs include."""
    return tuple(
        wire.SwallowedJob(
            job=each.operation.job.id,
            name=teller.speaker.job(each.operation.job.id),
            cylinder=each.operation.cylinder,
            by_job=each.by.job.id,
            by_name=teller.speaker.job(each.by.job.id),
            by_cylinder=each.by.cylinder,
        )
        for each in outcome.repair.jobs.swallowed
    )


def tell_labour(outcome: Outcome) -> tuple[wire.LabourTime, ...]:
    """Return the exact and billed minutes of each labour class."""
    return tuple(
        wire.LabourTime(
            labour_class=each.labour_class,
            exact_minutes=decimal_text(each.exact),
            billed_minutes=each.billed,
        )
        for each in outcome.repair.labour.classes
    )


def tell_access(plan: AccessPlan, teller: Teller) -> wire.Access:
    """Return the plan with whole minutes that add up to its rounded total, by largest remainder."""
    off = [removal.remove for removal in plan.removals]
    on = [part for removal in plan.removals for part in (removal.refit, removal.work)]
    minutes = round_minor(plan.minutes)
    whole = share(minutes, [*off, *on]) if off else ()
    refits = whole[len(off) :]
    names = [teller.speaker.instance(removal.instance.id) for removal in plan.removals]
    remove = tuple(
        wire.Removal(
            component=removal.instance.component.id,
            name=names[index],
            cylinder=removal.instance.cylinder,
            minutes=whole[index],
            exact_minutes=decimal_text(removal.remove),
            why=teller.known_whys(removal.why),
        )
        for index, removal in enumerate(plan.removals)
    )
    refit = tuple(
        wire.Refit(
            component=removal.instance.component.id,
            name=names[index],
            cylinder=removal.instance.cylinder,
            minutes=refits[2 * index],
            work_minutes=refits[2 * index + 1],
            exact_minutes=decimal_text(removal.refit + removal.work),
        )
        for index, removal in enumerate(plan.removals)
    )
    return wire.Access(
        remove=remove,
        refit=refit[::-1],
        minutes=minutes,
        exact_minutes=decimal_text(plan.minutes),
        engine_out=plan.engine_out,
    )
