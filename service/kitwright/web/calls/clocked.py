"""Clocked: what a quote's clock tells its statement."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

from kitwright.catalogue.model import LabourBasis
from kitwright.keeping.clock import check_stopped, spans_of
from kitwright.keeping.record import KeptQuote, Stamp
from kitwright.keeping.store import Records
from kitwright.quote import Quote, WorkPlan
from kitwright.stages.billing import Clocked, Timed, allot_clocked
from kitwright.telling.statement import agreed_lines
from kitwright.units import exact
from kitwright.web.calls.clock import PHASES
from kitwright.web.calls.desk import Desk


def clocked_on(
    desk: Desk, records: Records, stamp: Stamp, quote: KeptQuote, agreed: Quote
) -> tuple[Clocked, ...]:
    """Return the minutes that a quote's clock has for the lines of labour of what was agreed, with
    additions; nothing if nothing was clocked. Clocks that run should be stopped before.

    Raises: ClockForgotten, if the shop bills minutes and one of them is no measurement.
    """
    spans = spans_of(records.clock_entries.of_quote(quote.number), desk.hours, stamp.at)
    if desk.service.workshop.shop.labour.basis is not LabourBasis.flat:
        check_stopped(spans)
    plan = agreed.work_plan
    classes = {step.step: step.labour_class for step in plan.steps}
    timed = [
        Timed(
            group=span.phase.value,
            labour_class=None if span.step is None else classes.get(span.step),
            minutes=span.minutes,
        )
        for span in spans
    ]
    return allot_clocked(agreed_lines(agreed), _planned(plan), timed)


def _planned(plan: WorkPlan) -> dict[str, dict[str, Fraction]]:
    """Return the exact minutes of a plan by group of steps and labour class."""
    planned: dict[str, dict[str, Fraction]] = {}
    for step in plan.steps:
        if step.labour_class is not None:
            group = planned.setdefault(PHASES[step.kind].value, {})
            before = group.get(step.labour_class, Fraction(0))
            group[step.labour_class] = before + exact(Decimal(step.exact_minutes))
    return planned
