"""Recurring: how often machines come back after each job, and why, with what that cost the shop."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import date
from typing import Final

import msgspec
from msgspec import Struct

from kitwright.keeping.aftercare import KeptComeBack
from kitwright.keeping.claims import credited
from kitwright.keeping.record import KeptQuote, QuoteState
from kitwright.keeping.store import Records
from kitwright.money import Money, total
from kitwright.quote import Amount, read_statement
from kitwright.solve.beta import Interval, share_interval
from kitwright.stages.request import BackCause

OPEN: Final = "open"
"""In place of a cause that is not settled."""
OWN: Final = frozenset({BackCause.part.value, BackCause.work.value})
"""Causes that lie with the shop."""


class Back(Struct, frozen=True, kw_only=True):
    """A come-back: its cause, the jobs that it concerns, and what it cost the shop without tax,
    less what suppliers credited. The cost is None if it is not known, or not the shop's.
    """

    cause: str
    jobs: frozenset[str]
    cost: Money | None
    credited: Money


class Visit(Struct, frozen=True, kw_only=True):
    """A finished visit: its day, its jobs, and its come-backs."""

    day: date
    jobs: frozenset[str]
    backs: tuple[Back, ...]


class JobRow(Struct, frozen=True, kw_only=True):
    """A job: in how many visits it was finished, how many of these came back at all and because of
    the shop, and its come-backs by cause.

    `share` is `own` of `finished`, with its `interval`.
    """

    job: str
    finished: int
    came_back: int
    own: int
    causes: dict[str, int]
    interval: Interval


class Recurrence(Struct, frozen=True, kw_only=True):
    """The jobs of finished visits, those with most own come-backs first, and the sums."""

    finished: int
    came_back: int
    causes: dict[str, int]
    jobs: tuple[JobRow, ...]
    cost: Money
    credited: Money


class _Job(Struct, frozen=True):
    job: str


class _Costs(Struct, frozen=True):
    landed: Amount
    from_stock: Amount
    sublet: Amount


class _Answer(Struct, frozen=True):
    """The members of a revision's answer that are read here."""

    jobs: tuple[_Job, ...] = ()
    margin: _Costs | None = None


def visit_of(records: Records, quote: KeptQuote) -> Visit | None:
    """Return a finished visit, None for a quote that is none, or whose work was stopped."""
    kept = records.statements.get(quote.number)
    if quote.agreed is None or kept is None or read_statement(kept.body).stopped is not None:
        return None
    return Visit(
        day=kept.day,
        jobs=frozenset(one.job for one in _answer(records, quote).jobs),
        backs=tuple(
            back
            for one in records.come_backs.of_visit(quote.number)
            if (back := _back(records, one)) is not None
        ),
    )


def _answer(records: Records, quote: KeptQuote) -> _Answer:
    revision = records.revisions.get(quote.number, quote.agreed or quote.shown)
    return _Answer() if revision is None else msgspec.json.decode(revision.answer, type=_Answer)


def _back(records: Records, kept: KeptComeBack) -> Back | None:
    """Return a come-back, None if its quote was withdrawn: it was none."""
    quote = records.quotes.get(kept.quote)
    if quote is None or quote.state is QuoteState.withdrawn:
        return None
    costs = _answer(records, quote).margin
    is_own = kept.cause in OWN and kept.ground.endswith("in-time")
    cost = None
    if is_own and costs is not None and quote.state is QuoteState.done:
        cost = costs.landed.money + costs.from_stock.money + costs.sublet.money
    return Back(
        cause=kept.cause or OPEN,
        jobs=frozenset(kept.jobs),
        cost=cost,
        credited=credited(records, quote),
    )


def sum_up(visits: Iterable[Visit], first: date, last: date, currency: str) -> Recurrence:
    """Return how often machines came back after the visits finished from a first to a last day.

    A come-back counts for the jobs that its cause concerns; if the visit had none of these, for all
    of the visit's. The interval of a share is that of Clopper and Pearson (Biometrika 26, 1934).
    """
    within = [one for one in visits if first <= one.day <= last]
    every = [back for visit in within for back in visit.backs]
    jobs = sorted({job for visit in within for job in visit.jobs})
    rows = [_row(job, [visit for visit in within if job in visit.jobs]) for job in jobs]
    return Recurrence(
        finished=len(within),
        came_back=sum(bool(visit.backs) for visit in within),
        causes=dict(Counter(back.cause for back in every)),
        jobs=tuple(sorted(rows, key=lambda row: (-row.own / row.finished, row.job))),
        cost=total((back.cost for back in every if back.cost is not None), currency),
        credited=total((back.credited for back in every), currency),
    )


def _row(job: str, visits: Sequence[Visit]) -> JobRow:
    of_job = [[back for back in visit.backs if _concerns(back, job, visit)] for visit in visits]
    own = sum(any(back.cause in OWN for back in backs) for backs in of_job)
    return JobRow(
        job=job,
        finished=len(visits),
        came_back=sum(bool(backs) for backs in of_job),
        own=own,
        causes=dict(Counter(back.cause for backs in of_job for back in backs)),
        interval=share_interval(own, len(visits)),
    )


def _concerns(back: Back, job: str, visit: Visit) -> bool:
    named = back.jobs & visit.jobs
    return job in named if named else True
