"""Lessons: what the finished quotes of a shop say of its estimates, as the learning stage reads it.

Minutes are those of the agreed revision's work plan, beside the quote's clock. A contingency was
found if a later agreed revision has its jobs, which the first did not have. A fault was found if
the last agreed revision diagnoses it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime
from decimal import Decimal
from fractions import Fraction
from typing import Final

import msgspec
from msgspec import Struct

from kitwright.catalogue.model import ContingencyId, FamilyId, LabourClass
from kitwright.keeping.clock import Hours, spans_of
from kitwright.keeping.estimating import estimates_in
from kitwright.keeping.record import KeptQuote, QuoteState, Revision
from kitwright.keeping.store import QuoteFilter, Records
from kitwright.stages.learning import (
    ClockedTime,
    Foreseen,
    ForeseenKind,
    PlannedStep,
    Worked,
    compare_minutes,
)
from kitwright.stages.work import GROUP_OF, Estimates, times_odds

Place = tuple[str, int | None]
"""The code of a job or a fault, and its cylinder."""


class Lesson(Struct, frozen=True, kw_only=True):
    """A finished quote: its minutes, and what it gave a probability to."""

    worked: Worked
    foreseen: tuple[Foreseen, ...]


class _Step(Struct, frozen=True):
    step: str
    kind: str
    labour_class: str | None
    exact_minutes: str


class _Plan(Struct, frozen=True):
    machines: int
    steps: tuple[_Step, ...]


class _Job(Struct, frozen=True):
    job: str
    cylinder: int | None

    @property
    def place(self) -> Place:
        return self.job, self.cylinder


class _Contingency(Struct, frozen=True):
    contingency: str
    after: str | None
    probability: str
    jobs: tuple[_Job, ...]


class _Contingencies(Struct, frozen=True):
    each: tuple[_Contingency, ...]


class _Fault(Struct, frozen=True):
    code: str
    cylinder: int | None
    probability: str = "1"

    @property
    def place(self) -> Place:
        return self.code, self.cylinder


class _Assessment(Struct, frozen=True):
    diagnoses: tuple[_Fault, ...]


class _Engine(Struct, frozen=True):
    family: str


class _Answer(Struct, frozen=True):
    """A stored quote, as far as there is something to learn from it."""

    engine: _Engine
    jobs: tuple[_Job, ...]
    diagnoses: tuple[_Fault, ...]
    work_plan: _Plan
    contingencies: _Contingencies | None = None
    assessment: _Assessment | None = None
    estimates: int | None = None


_ANSWER: Final = msgspec.json.Decoder(_Answer)


def finished(records: Records, before: int | None, most: int) -> tuple[KeptQuote, ...]:
    """Return finished quotes below a number, newest first."""
    wanted = QuoteFilter(states=(QuoteState.done,), before=before, most=most)
    return tuple(records.quotes.find(wanted))


def lesson_of(records: Records, quote: KeptQuote, hours: Hours, now: datetime) -> Lesson | None:
    """Return what a finished quote says, None if its customer was erased or nothing was agreed."""
    agreed = sorted({one.revision for one in records.authorisations.of_quote(quote.number)})
    found = [records.revisions.get(quote.number, number) for number in agreed]
    revisions = [one for one in found if one is not None and not one.is_erased]
    if len(revisions) < len(agreed) or not revisions:
        return None
    first, last = _read(revisions[0]), _read(revisions[-1])
    spans = spans_of(records.clock_entries.of_quote(quote.number), hours, now)
    times = [
        ClockedTime(
            group=span.phase.value,
            step=span.step,
            minutes=span.minutes,
            is_forgotten=span.is_forgotten and span.correction is None,
        )
        for span in spans
    ]
    family = FamilyId(last.engine.family)
    steps = _steps(last, estimates_in(records, last.estimates))
    own = estimates_in(records, first.estimates)
    return Lesson(
        worked=compare_minutes(quote.number, family, steps, times),
        foreseen=(*_contingencies(first, last, own), *_faults(first, last)),
    )


def _read(revision: Revision) -> _Answer:
    return _ANSWER.decode(revision.answer)


def _steps(answer: _Answer, own: Estimates) -> Iterator[PlannedStep]:
    """Yield the steps of a quote with the catalogue's minutes."""
    pace, plan = own.of_family(FamilyId(answer.engine.family)), answer.work_plan
    for step in plan.steps:
        group = GROUP_OF[step.kind]
        name = None if step.labour_class is None else LabourClass(step.labour_class)
        minutes = Fraction(step.exact_minutes) * plan.machines
        if name is not None:
            minutes /= pace.factor(group, name)
        yield PlannedStep(name=step.step, group=group, labour_class=name, minutes=minutes)


def _contingencies(first: _Answer, last: _Answer, own: Estimates) -> Iterator[Foreseen]:
    """Yield the contingencies of a quote that add jobs and need no other one to be found first."""
    listed = () if first.contingencies is None else first.contingencies.each
    before, after = _places(first.jobs), _places(last.jobs)
    for one in listed:
        jobs = _places(one.jobs)
        if one.after is None and jobs:
            chance = Fraction(one.probability)
            factor = own.odds.get(ContingencyId(one.contingency), Fraction(1))
            yield Foreseen(
                kind=ForeseenKind.contingency,
                code=one.contingency,
                chance=chance,
                catalogue=times_odds(chance, 1 / factor),
                was_found=jobs <= after and not jobs <= before,
            )


def _faults(first: _Answer, last: _Answer) -> Iterator[Foreseen]:
    ranked = () if first.assessment is None else first.assessment.diagnoses
    there = {one.place for one in last.diagnoses}
    for one in ranked:
        chance = Fraction(Decimal(one.probability))
        yield Foreseen(
            kind=ForeseenKind.diagnosis,
            code=one.code,
            chance=chance,
            catalogue=chance,
            was_found=one.place in there,
        )


def _places(jobs: Iterable[_Job]) -> frozenset[Place]:
    return frozenset(job.place for job in jobs)
