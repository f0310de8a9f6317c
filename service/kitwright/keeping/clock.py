"""Clock: the minutes that mechanics spend on the steps of a quote, and the steps that are done.

Moments count in whole minutes, cut off, so that spans that follow each other neither overlap nor
lose a minute. Spans are measured in UTC, so a night in which clocks change has the minutes that
passed. A span belongs to one day of the shop. A clock that nobody stops on that day stops at
closing time.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, time, timedelta
from itertools import groupby
from typing import Final
from zoneinfo import ZoneInfo

from msgspec import Struct, structs

from kitwright.keeping.acts import ActRefused, check_act
from kitwright.keeping.event import note_event
from kitwright.keeping.record import ClockEntry, ClockKind, KeptQuote, Phase, Stamp
from kitwright.keeping.store import Records

_MINUTE: Final = timedelta(minutes=1)


class ClockOverlaps(ActRefused):
    """A time in which the same mechanic is clocked already, on this quote or another."""

    code = "clock-overlaps"

    def __init__(self, who: str, other: Span) -> None:
        is_open = "until it is stopped" if other.is_running else f"until {_told(other.ends)}"
        super().__init__(
            f"{who} is clocked on Q{other.quote} from {_told(other.starts)} {is_open} (entry "
            f"{other.number}): stop that first, or correct it"
        )
        self.quote = other.quote
        self.entry = other.number


class ClockNotRunning(ActRefused):
    """A clock that can't be stopped, because none of the mechanic's runs on the quote."""

    code = "clock-not-running"

    def __init__(self, who: str, day: date) -> None:
        super().__init__(
            f"no clock of {who} runs on this quote on {day.isoformat()}: one of an earlier day "
            "stopped at closing time, and can be corrected"
        )


class ClockStarted(ActRefused):
    """A stop before the start, or after the mechanic began something else."""

    code = "clock-stop-outside"

    def __init__(self, span: Span, limit: datetime | None) -> None:
        before = "" if limit is None else f" and {_told(limit)}"
        super().__init__(
            f"the clock was started at {_told(span.starts)}: stop it between then{before}"
        )


class NothingClocked(ActRefused):
    """An entry that can't be corrected: there is no such time or sum, or its clock still runs."""

    code = "nothing-clocked"

    def __init__(self, entry: int) -> None:
        super().__init__(
            f"entry {entry} is no time that was clocked on this quote, or its clock still runs"
        )
        self.entry = entry


class ClockForgotten(ActRefused):
    """Clocks that nobody stopped, whose minutes would be billed."""

    code = "clock-forgotten"

    def __init__(self, spans: Sequence[Span]) -> None:
        named = ", ".join(f"entry {one.number} of {one.who}" for one in spans)
        super().__init__(
            f"nobody stopped the clock of {named}: it ran until closing time, which is no "
            "measurement; correct it (`correct`), or give the minutes in `clocked`"
        )
        self.entries = tuple(one.number for one in spans)


class Hours(Struct, frozen=True):
    """A shop's time zone, and its closing time there (None: the end of the day)."""

    zone: ZoneInfo
    closes: time | None

    def day(self, at: datetime) -> date:
        """Return the shop's day of a moment."""
        return at.astimezone(self.zone).date()

    def end(self, start: datetime) -> datetime:
        """Return when a clock stops that was started at a moment and that nobody stops: at closing
        time, or at the end of the day if it was started then or later. In UTC.
        """
        day = self.day(start)
        midnight = _utc(day + timedelta(days=1), time(0), self.zone)
        if self.closes is None:
            return midnight
        closing = _utc(day, self.closes, self.zone)
        return closing if start < closing else midnight


class Span(Struct, frozen=True, kw_only=True):
    """Minutes of one mechanic on a group of steps, or on one step of it.

    `starts` and `ends` are None for a sum of minutes. `is_forgotten` says that nobody stopped the
    clock. `minutes` are the corrected ones, if there is a `correction`.
    """

    quote: int
    number: int
    who: str
    day: date
    phase: Phase
    step: str | None
    starts: datetime | None
    ends: datetime | None
    minutes: int
    is_running: bool
    is_forgotten: bool
    correction: ClockEntry | None

    def covers(self, at: datetime) -> bool:
        """Return whether the mechanic can't begin anything else at a moment: it is before the end
        of the span. A corrected span is a sum of minutes, and takes no place in the day.
        """
        if self.correction is not None or self.ends is None:
            return False
        return self.is_running or at < self.ends


def whole_minute(at: datetime) -> datetime:
    """Return a moment in UTC, cut off to the minute."""
    return at.astimezone(UTC).replace(second=0, microsecond=0)


def spans_of(entries: Iterable[ClockEntry], hours: Hours, now: datetime) -> tuple[Span, ...]:
    """Return what was clocked by the entries of one quote, oldest first, as it stands now."""
    every = tuple(entries)
    stops = {one.about: one for one in every if one.kind is ClockKind.stopped}
    corrections = {one.about: one for one in every if one.kind is ClockKind.corrected}
    return tuple(
        _span(one, stops.get(one.number), corrections.get(one.number), hours, now)
        for one in every
        if one.kind in {ClockKind.started, ClockKind.minutes}
    )


def _span(
    entry: ClockEntry,
    stop: ClockEntry | None,
    correction: ClockEntry | None,
    hours: Hours,
    now: datetime,
) -> Span:
    starts, ends, minutes = entry.moment, None, entry.minutes or 0
    is_open = starts is not None and stop is None
    is_running = False
    if starts is not None:
        latest = hours.end(starts)
        is_running = is_open and correction is None and now < latest
        stopped = None if stop is None else stop.moment
        ends = stopped or min(latest, max(whole_minute(now), starts))
        minutes = (ends - starts) // _MINUTE
    if correction is not None:
        minutes = correction.minutes or 0
    return Span(
        quote=entry.quote,
        number=entry.number,
        who=entry.who,
        day=entry.day,
        phase=entry.phase or Phase.work,
        step=entry.step,
        starts=starts,
        ends=ends,
        minutes=minutes,
        is_running=is_running,
        is_forgotten=is_open and not is_running,
        correction=correction,
    )


def ticks_of(entries: Iterable[ClockEntry]) -> tuple[ClockEntry, ...]:
    """Return the ticks of the steps that are done, one a step, in the order in which they were
    ticked.
    """
    done: dict[str | None, ClockEntry] = {}
    for one in entries:
        if one.kind is ClockKind.ticked:
            # a step that is ticked again with what was seen there is done since the first tick
            first = done.setdefault(one.step, one)
            if one.reason is not None:
                done[one.step] = structs.replace(first, reason=one.reason)
        elif one.kind is ClockKind.unticked:
            done.pop(one.step, None)
    return tuple(done.values())


def clock(
    records: Records,
    stamp: Stamp,
    quote: KeptQuote,
    hours: Hours,
    entry: ClockEntry,
) -> ClockEntry:
    """Return an entry of a quote's clock, as it was stored. What it leaves open is completed,
    such as which start a stop is for.

    Raises: NotNow, ClockOverlaps, ClockNotRunning, ClockStarted, NothingClocked.
    """
    check_act("clock", quote)
    complete = _COMPLETED.get(entry.kind, _as_said)(records, stamp, hours, entry)
    kept = records.clock_entries.add(complete)
    facts = {"entry": kept.number, "clock": kept.kind.value}
    note_event(records, stamp, "quote.clocked", quote, facts)
    return kept


def _as_said(_: Records, __: Stamp, ___: Hours, entry: ClockEntry) -> ClockEntry:
    return entry


def _start(records: Records, stamp: Stamp, hours: Hours, entry: ClockEntry) -> ClockEntry:
    starts = entry.moment or whole_minute(stamp.at)
    day = hours.day(starts)
    for span in _day_of(records, stamp, hours, entry.who, day):
        if span.covers(starts):
            raise ClockOverlaps(entry.who, span)
    return structs.replace(entry, moment=starts, day=day)


def _stop(records: Records, stamp: Stamp, hours: Hours, entry: ClockEntry) -> ClockEntry:
    ends = entry.moment or whole_minute(stamp.at)
    day = hours.day(ends)
    spans = _day_of(records, stamp, hours, entry.who, day)
    # a clock that was past closing time is stopped by hand as long as it is the same day
    for span in spans:
        is_open = span.is_running or (span.is_forgotten and span.correction is None)
        if span.quote == entry.quote and is_open and span.starts is not None:
            limit = _next(spans, span.starts)
            if ends < span.starts or (limit is not None and ends > limit):
                raise ClockStarted(span, limit)
            return structs.replace(
                entry, moment=ends, day=day, about=span.number, phase=span.phase, step=span.step
            )
    raise ClockNotRunning(entry.who, day)


def _correct(records: Records, stamp: Stamp, hours: Hours, entry: ClockEntry) -> ClockEntry:
    entries = records.clock_entries.of_quote(entry.quote)
    for span in spans_of(entries, hours, stamp.at):
        if span.number == entry.about and not span.is_running:
            return structs.replace(entry, day=span.day, phase=span.phase, step=span.step)
    raise NothingClocked(entry.about or 0)


_COMPLETED: Final = {
    ClockKind.started: _start,
    ClockKind.stopped: _stop,
    ClockKind.corrected: _correct,
}


def check_stopped(spans: Iterable[Span]) -> None:
    """Raise ClockForgotten if nobody stopped a clock, and nobody corrected its minutes."""
    open_spans = [one for one in spans if one.is_forgotten and one.correction is None]
    if open_spans:
        raise ClockForgotten(open_spans)


def stop_clocks(records: Records, stamp: Stamp, quote: KeptQuote) -> int:
    """Stop the clocks of the day that still run on a quote: now, or when their mechanics began
    something else. Return how many they were.
    """
    count = 0
    entries = records.clock_entries.of_quote(quote.number)
    closed = {one.about for one in entries}
    for one in entries:
        is_open = one.kind is ClockKind.started and one.number not in closed
        if not is_open or one.day != stamp.today or one.moment is None:
            continue
        later = [
            other.moment
            for other in records.clock_entries.of_day(one.day)
            if other.kind is ClockKind.started
            and other.who == one.who
            and other.moment is not None
            and other.moment > one.moment
        ]
        ends = max(one.moment, min([whole_minute(stamp.at), *later]))
        records.clock_entries.add(
            structs.replace(
                one,
                kind=ClockKind.stopped,
                about=one.number,
                moment=ends,
                at=stamp.at,
                hand=stamp.hand,
                by=stamp.by,
            )
        )
        count += 1
    return count


def _day_of(records: Records, stamp: Stamp, hours: Hours, who: str, day: date) -> Sequence[Span]:
    """Return what a mechanic clocked on a day, on all quotes."""
    entries = records.clock_entries.of_day(day)
    return [
        span
        for _, own in groupby(entries, lambda one: one.quote)
        for span in spans_of(own, hours, stamp.at)
        if span.who == who
    ]


def minutes_on(records: Records, stamp: Stamp, hours: Hours, who: str, day: date) -> int:
    """Return how many minutes a mechanic clocked on a day, on all quotes."""
    return sum(span.minutes for span in _day_of(records, stamp, hours, who, day))


def _next(spans: Iterable[Span], start: datetime) -> datetime | None:
    """Return when the first span begins after a moment, None if none does."""
    later = [
        span.starts
        for span in spans
        if span.correction is None and span.starts is not None and span.starts > start
    ]
    return min(later, default=None)


def _utc(day: date, at: time, zone: ZoneInfo) -> datetime:
    return datetime.combine(day, at, zone).astimezone(UTC)


def _told(at: datetime | None) -> str:
    return "" if at is None else at.strftime("%Y-%m-%dT%H:%MZ")
