"""Clock: calls that record and list what mechanics clock on a quote, and which steps are done."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Annotated, Final, Literal

from msgspec import Meta

from kitwright.errors import KitwrightError
from kitwright.keeping.clock import (
    Hours,
    Span,
    clock,
    minutes_on,
    spans_of,
    ticks_of,
    whole_minute,
)
from kitwright.keeping.life import revision_of
from kitwright.keeping.record import ClockEntry, ClockKind, KeptQuote, Phase, QuoteState
from kitwright.keeping.store import Records
from kitwright.quote import Count, DecimalText, Minutes, WorkPlan, read_quote
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.stages.work import GROUP_OF
from kitwright.units import decimal_text, exact
from kitwright.web.calls.acts import Moment
from kitwright.web.calls.call import Call
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.ids import QUOTE
from kitwright.web.calls.placing import awaited_places, waiting_steps
from kitwright.web.calls.shown import Out
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Text, Wire

DayMinutes = Annotated[int, Meta(ge=0, le=1_440, description="Whole minutes of one day.")]
PhaseName = Literal["teardown", "work", "refit", "test", "hand_over"]
PHASES: Final[Mapping[str, Phase]] = {kind: Phase(group) for kind, group in GROUP_OF.items()}
"""Kind of a step -> its group."""
_KINDS: Final = {
    "start": ClockKind.started,
    "stop": ClockKind.stopped,
    "minutes": ClockKind.minutes,
    "correct": ClockKind.corrected,
    "tick": ClockKind.ticked,
    "untick": ClockKind.unticked,
}
_NEEDED: Final[Mapping[str, tuple[str, ...]]] = {
    "minutes": ("minutes",),
    "correct": ("entry", "minutes", "reason"),
    "tick": ("step",),
    "untick": ("step",),
}
_ALLOWED: Final[Mapping[str, tuple[str, ...]]] = {
    "start": ("phase", "step", "at"),
    "stop": ("at",),
    "minutes": ("phase", "step", "minutes", "day"),
    "correct": ("entry", "minutes", "reason"),
    "tick": ("step", "finding"),
    "untick": ("step",),
}
_MEMBERS: Final = ("phase", "step", "at", "minutes", "day", "entry", "reason", "finding")


class ClockIn(Wire, frozen=True, kw_only=True):
    """What a mechanic (`by`) did, or how whoever corrects (`by`) corrects it.

    `start` and `minutes` name either a `phase`, which is a group of steps, or one `step` of the
    work plan by its id. `start` and `stop` are now unless `at` says otherwise, in whole minutes,
    cut off. A sum of `minutes` is of today unless `day` says otherwise. `correct` gives the right
    minutes of an `entry` and the reason, which stays permanently, so it should not name customers.
    `tick` says that a `step` is done, and maybe what was seen there (`finding`), which stays
    permanently too; `untick` says that it is not done. Photographs of what a step takes off are
    photos of the quote; what calls for more work is told with `found`.
    """

    act: Literal["start", "stop", "minutes", "correct", "tick", "untick"]
    by: Text
    phase: PhaseName | None = None
    step: Text | None = None
    at: Moment | None = None
    minutes: DayMinutes | None = None
    day: date | None = None
    entry: Count | None = None
    reason: Text | None = None
    finding: Text | None = None


_DAY: Final = 24 * 60
_DAYS_BEFORE: Final = 31
"""An engine may be looked at before its quote is kept, by so many days at most."""


class ClockUnclear(RequestFault):
    """A member that an act of the clock needs, or that it has no use for."""

    code = "clock-unclear"


class UnknownStep(RequestFault):
    """A step that the work plan of the agreed revision does not have."""

    code = "unknown-step"

    def __init__(self, step: str) -> None:
        super().__init__(f"the work plan of the agreed revision has no step {step!r}")
        self.step = step


class ClockImpossible(RequestFault):
    """A time that is not over or long before the quote, more minutes than a day has, or the start
    or stop of a clock on another day than today.
    """

    code = "clock-impossible"


class CorrectionOut(Out, frozen=True, kw_only=True):
    """A correction: its reason, who made it, and when."""

    reason: str
    by: str
    at: datetime


class SpanOut(Out, frozen=True, kw_only=True):
    """Minutes of a mechanic (`by`), as an `entry`. `started_at` and `stopped_at` are null for a sum
    of minutes.

    A clock that is `running` stops at `stopped_at` if nobody stops it before; one that is
    `forgotten` stopped then. `minutes` are those until now, or the corrected ones.
    """

    entry: Count
    by: str
    phase: PhaseName
    step: str | None
    day: date
    started_at: datetime | None
    stopped_at: datetime | None
    minutes: Minutes
    running: bool
    forgotten: bool
    correction: CorrectionOut | None


class PhaseOut(Out, frozen=True, kw_only=True):
    """A group of steps: what the agreed revision bills for them, for all machines, and what was
    clocked.
    """

    phase: PhaseName
    billed: DecimalText
    clocked: Minutes


class TickOut(Out, frozen=True, kw_only=True):
    """A step that is done, on all machines, who ticked it, and what was seen there, or null."""

    step: str
    by: str
    finding: str | None
    at: datetime


class WaitingOut(Out, frozen=True, kw_only=True):
    """A step that has to wait for `parts`: they are not here yet, or not all of them."""

    step: str
    name: str
    parts: tuple[str, ...]


class ClockOut(Out, frozen=True, kw_only=True):
    """What was clocked on a quote beside what the agreed revision bills, in minutes.

    The minutes `billed` of all `phases` and the billed minutes that are in no step (`in_no_step`:
    rounding, minutes set by hand, the bench minimum) add up to `billed`; each is rounded to
    hundredths. Clocked minutes are for
    comparing estimates, and for the statement if the shop bills minutes; they are nobody's pay.
    Once more than `ask_above` are clocked (`above`), the shop wants the customer to be asked again.
    `waiting` are the steps that need a part that is not here yet, in their order, until the work is
    finished.
    """

    phases: tuple[PhaseOut, ...]
    in_no_step: DecimalText
    billed: DecimalText
    clocked: Minutes
    ask_above: DecimalText
    above: bool
    entries: tuple[SpanOut, ...]
    done: tuple[TickOut, ...]
    waiting: tuple[WaitingOut, ...]


@operation("GET /v1/quotes/{id}/clock", "getClock", "quotes")
def shown(records: Records, call: Call) -> Reply[ClockOut]:
    """Get what was clocked on a quote, beside what is billed, and the steps that are done."""
    quote = call.record(QUOTE, records.quotes.get)
    return Reply(body=_clock_out(call.desk, records, quote, call.stamp.at))


@operation(
    "POST /v1/quotes/{id}/clock",
    "clockQuote",
    "quotes",
    "act-refused",
    "request-refused",
)
def add(records: Records, call: Call, body: ClockIn) -> Reply[ClockOut]:
    """Clock, correct or tick.

    Starts or stops a mechanic's clock, records a sum of minutes, corrects what was clocked, or
    ticks a step. Nobody is clocked twice at the same time, on whichever quotes. A clock that is not
    stopped on its day stops at the shop's closing time, and is marked as forgotten. Finishing the
    quote stops the clocks that run. The quote itself, its price and its version do not change.
    """
    quote = call.record(QUOTE, records.quotes.get)
    stamp, hours = call.stamp, call.desk.hours
    plan = _plan(records, quote)
    faults = [*_unclear(body), *_impossible(records, call, body, quote)]
    phase = None if body.phase is None else Phase(body.phase)
    if body.step is not None and not faults and plan is not None:
        kinds = {step.step: step.kind for step in plan.steps}
        if body.step in kinds:
            phase = PHASES[kinds[body.step]]
        else:
            faults.append(UnknownStep(body.step).at("step"))
    if faults:
        raise RequestRefused(faults)
    entry = ClockEntry(
        quote=quote.number,
        number=0,
        kind=_KINDS[body.act],
        at=stamp.at,
        day=body.day or stamp.today,
        who=body.by,
        hand=stamp.hand,
        by=stamp.by,
        phase=phase,
        step=body.step,
        moment=None if body.at is None else whole_minute(body.at),
        about=body.entry,
        minutes=body.minutes,
        reason=body.reason or body.finding,
    )
    clock(records, stamp, quote, hours, entry)
    return Reply(body=_clock_out(call.desk, records, quote, stamp.at))


def _unclear(body: ClockIn) -> Iterator[KitwrightError]:
    """Yield what is missing for an act, and what it has no use for."""
    needed, allowed = _NEEDED.get(body.act, ()), _ALLOWED[body.act]
    for name in _MEMBERS:
        is_given = getattr(body, name) is not None
        if name in needed and not is_given:
            yield ClockUnclear(f"`{body.act}` needs `{name}`").at(name)
        if is_given and name not in allowed:
            yield ClockUnclear(f"`{body.act}` takes no `{name}`").at(name)
    if "phase" in allowed and (body.phase is None) is (body.step is None):
        yield ClockUnclear(f"`{body.act}` needs either `phase` or `step`").at("phase")


def _impossible(
    records: Records, call: Call, body: ClockIn, quote: KeptQuote
) -> Iterator[KitwrightError]:
    stamp = call.stamp
    if body.day is not None and body.day > stamp.today:
        yield ClockImpossible("the day is not over: give minutes that were worked").at("day")
    first = quote.made_on - timedelta(days=_DAYS_BEFORE)
    if body.day is not None and body.day < first:
        reason = f"the quote is of {quote.made_on}: minutes of it are from {first} on"
        yield ClockImpossible(reason).at("day")
    if body.act == "minutes" and body.minutes is not None:
        day = body.day or stamp.today
        there = minutes_on(records, stamp, call.desk.hours, body.by, day)
        if there + body.minutes > _DAY:
            reason = f"{body.by} has clocked {there} minutes on {day}: a day has {_DAY}"
            yield ClockImpossible(reason).at("minutes")
    if body.at is None:
        return
    if body.at > stamp.at:
        yield ClockImpossible("this time has not come yet").at("at")
    elif call.desk.today(body.at) != stamp.today:
        reason = "this is not today: give the sum of `minutes`, or correct the entry"
        yield ClockImpossible(reason).at("at")


def _plan(records: Records, quote: KeptQuote) -> WorkPlan | None:
    """Return the work plan of the agreed revision of a quote, None if none is agreed."""
    if quote.agreed is None:
        return None
    return read_quote(revision_of(records, quote, quote.agreed).answer).work_plan


def _clock_out(desk: Desk, records: Records, quote: KeptQuote, now: datetime) -> ClockOut:
    entries = records.clock_entries.of_quote(quote.number)
    hours = desk.hours
    spans = spans_of(entries, hours, now)
    plan = _plan(records, quote)
    billed = dict.fromkeys(Phase, Decimal(0))
    in_no_step = Decimal(0)
    if plan is not None:
        for step in plan.steps:
            billed[PHASES[step.kind]] += Decimal(step.exact_minutes) * plan.machines
        in_no_step = sum((Decimal(row.exact_minutes) for row in plan.rows), Decimal(0))
    whole, clocked = sum(billed.values(), in_no_step), sum(span.minutes for span in spans)
    over = desk.service.workshop.shop.quote.revisit_if_over_percent
    ask_above = whole * (100 + over) / 100
    return ClockOut(
        phases=tuple(
            PhaseOut(
                phase=phase.value,
                billed=decimal_text(exact(minutes), 2),
                clocked=sum(span.minutes for span in spans if span.phase is phase),
            )
            for phase, minutes in billed.items()
        ),
        in_no_step=decimal_text(exact(in_no_step), 2),
        billed=decimal_text(exact(whole), 2),
        clocked=clocked,
        ask_above=decimal_text(exact(ask_above), 2),
        above=plan is not None and clocked > ask_above,
        entries=tuple(_span_out(span, hours) for span in spans),
        done=tuple(
            TickOut(step=one.step or "", by=one.who, finding=one.reason, at=one.at)
            for one in ticks_of(entries)
        ),
        waiting=tuple(_waiting(records, quote)),
    )


def _waiting(records: Records, quote: KeptQuote) -> Iterator[WaitingOut]:
    """Yield the steps of the agreed revision that wait for parts."""
    if quote.agreed is None or quote.state is QuoteState.done:
        return
    agreed = read_quote(revision_of(records, quote, quote.agreed).answer)
    awaited = awaited_places(records, quote.number, agreed.kit)
    for step in waiting_steps(agreed.work_plan, awaited):
        parts = [use.part for use in step.uses if (use.role, use.cylinder) in awaited]
        yield WaitingOut(step=step.step, name=step.name, parts=tuple(dict.fromkeys(parts)))


def _span_out(span: Span, hours: Hours) -> SpanOut:
    ends, correction = span.ends, span.correction
    if span.is_running and span.starts is not None:
        ends = hours.end(span.starts)
    return SpanOut(
        entry=span.number,
        by=span.who,
        phase=span.phase.value,
        step=span.step,
        day=span.day,
        started_at=span.starts,
        stopped_at=ends,
        minutes=span.minutes,
        running=span.is_running,
        forgotten=span.is_forgotten,
        correction=None
        if correction is None
        else CorrectionOut(reason=correction.reason or "", by=correction.who, at=correction.at),
    )
