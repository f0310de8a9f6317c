"""Recurring: the call that reports how often machines come back after each job, and why."""

from __future__ import annotations

import asyncio
from datetime import date
from typing import Annotated, Final

from msgspec import Meta, field

from kitwright.documents.come_back_csv import come_back_csv, share_text
from kitwright.keeping.record import QuoteState
from kitwright.keeping.recurring import OPEN, JobRow, Recurrence, Visit, sum_up, visit_of
from kitwright.keeping.store import QuoteFilter, Records
from kitwright.quote import Amount, Count, DecimalText, amount_of
from kitwright.units import decimal_text
from kitwright.web.calls.call import Call
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.shown import Out
from kitwright.web.edge.negotiate import CSV, JSON
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Wire

_AT_ONCE: Final = 50
"""How many quotes are read before other calls are let in."""


class ComeBacksQuery(Wire, frozen=True, kw_only=True):
    """Visits that were finished from a first to a last day, by the shop's calendar."""

    from_: Annotated[date | None, Meta(description="The first day; null: the first of all.")] = (
        field(default=None, name="from")
    )
    to: Annotated[date | None, Meta(description="The last day; null: today.")] = None


class CausesOut(Out, frozen=True, kw_only=True):
    """Come-backs by cause; `open` are those whose cause is not settled."""

    part: Count
    work: Count
    new_fault: Count
    open: Count


class JobBackOut(Out, frozen=True, kw_only=True):
    """A job: in how many visits it was `finished`, how many of these came back, and how many
    because of the shop (`own`: its part or its work). `share` is `own` of `finished`; the true
    share lies between `low` and `high` with a probability of at least 0.95 (Clopper and Pearson).
    """

    job: str
    name: str
    finished: Count
    came_back: Count
    own: Count
    causes: CausesOut
    share: DecimalText
    low: DecimalText
    high: DecimalText


class ComeBacksOut(Out, frozen=True, kw_only=True):
    """Come-backs after finished visits, by job, those with the largest share first.

    A come-back counts for the jobs that its cause concerns; if the earlier visit had none of these,
    for all of its jobs. `cost` is what finished visits on warranty cost the shop in parts and
    sublet work, `credited` what suppliers gave for parts of them: cost - credited = left, without
    tax. Withdrawn quotes and stopped visits do not count.
    """

    finished: Count
    came_back: Count
    causes: CausesOut
    jobs: tuple[JobBackOut, ...]
    cost: Amount
    credited: Amount
    left: Amount


@operation(
    "GET /v1/reports/come-backs",
    "reportComeBacks",
    "reports",
    forms=(JSON, CSV),
    keeps="reads",
)
async def report(call: Call, query: ComeBacksQuery, form: str) -> Reply[ComeBacksOut]:
    """Get come-backs by job.

    Of the visits that were finished in a period: how often each job was, how many machines came
    back after it, by cause, and the share that came back because of the shop with its interval.
    Accept `text/csv` for a table; texts that a spreadsheet could take for a formula start with an
    apostrophe there.
    """
    desk = call.desk
    first, last = query.from_ or date.min, query.to or call.stamp.today
    found = sum_up(await _visits(call), first, last, desk.currency)
    speaker = desk.service.speaker(None)
    names = {row.job: speaker.job(row.job) for row in found.jobs}
    if form == CSV:
        return Reply(body=come_back_csv(found, names), form=CSV)
    return Reply(body=_out(found, names))


async def _visits(call: Call) -> list[Visit]:
    """Return all finished visits, read little by little."""
    visits: list[Visit] = []
    before: int | None = None

    def some(records: Records) -> int | None:
        wanted = QuoteFilter(states=(QuoteState.done,), before=before, most=_AT_ONCE)
        found = records.quotes.find(wanted)
        read = (visit_of(records, one) for one in found)
        visits.extend(one for one in read if one is not None)
        return found[-1].number if found else None

    while True:
        before = call.desk.store.read(some)
        if before is None:
            return visits
        await asyncio.sleep(0)


def _out(found: Recurrence, names: dict[str, str]) -> ComeBacksOut:
    return ComeBacksOut(
        finished=found.finished,
        came_back=found.came_back,
        causes=_causes(found.causes),
        jobs=tuple(_row_out(row, names[row.job]) for row in found.jobs),
        cost=amount_of(found.cost),
        credited=amount_of(found.credited),
        left=amount_of(found.cost - found.credited),
    )


def _row_out(row: JobRow, name: str) -> JobBackOut:
    return JobBackOut(
        job=row.job,
        name=name,
        finished=row.finished,
        came_back=row.came_back,
        own=row.own,
        causes=_causes(row.causes),
        share=share_text(row.own, row.finished),
        low=decimal_text(row.interval.low),
        high=decimal_text(row.interval.high),
    )


def _causes(counts: dict[str, int]) -> CausesOut:
    return CausesOut(
        part=counts.get("part", 0),
        work=counts.get("work", 0),
        new_fault=counts.get("new_fault", 0),
        open=counts.get(OPEN, 0),
    )
