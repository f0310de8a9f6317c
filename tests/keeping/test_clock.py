"""The arithmetic of clocks: whole minutes, days in which clocks change, closing time, overlaps."""

from __future__ import annotations

import asyncio
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs
from tests.store.memory import MemoryStore
from tests.store.small import STAMP, a_clock_entry, a_quote, an_issued_revision

from kitwright.keeping.acts import ActRefused
from kitwright.keeping.clock import Hours, Span, clock, spans_of, stop_clocks, whole_minute
from kitwright.keeping.record import ClockEntry, ClockKind, QuoteState
from kitwright.keeping.store import Records

DENVER = ZoneInfo("America/Denver")
HOURS = Hours(DENVER, time(17, 30))
SPRING, AUTUMN = date(2027, 3, 14), date(2027, 11, 7)
"""Days of 23 and of 25 hours in Denver."""


def started(at: datetime, hours: Hours = HOURS) -> ClockEntry:
    return a_clock_entry(1, number=1, moment=whole_minute(at), day=hours.day(at))


def local(day: date, hour: int, minute: int = 0, fold: int = 0) -> datetime:
    there = datetime.combine(day, time(hour, minute, fold=fold), DENVER)
    return there.astimezone(UTC)


@pytest.mark.parametrize(
    ("start", "now", "minutes"),
    [
        (local(SPRING, 1), local(SPRING, 4), 120),
        (local(AUTUMN, 0, 30), local(AUTUMN, 2, 30), 180),
        (local(AUTUMN, 1, 15), local(AUTUMN, 1, 15, fold=1), 60),
    ],
)
def test_night_in_which_clocks_change_has_the_minutes_that_passed(
    start: datetime, now: datetime, minutes: int
) -> None:
    (span,) = spans_of([started(start)], HOURS, now)

    assert (span.minutes, span.is_running) == (minutes, True)


@pytest.mark.parametrize(
    ("day", "minutes"), [(SPRING, 23 * 60), (AUTUMN, 25 * 60), (date(2027, 6, 1), 24 * 60)]
)
def test_clock_without_closing_time_stops_at_the_end_of_the_day(day: date, minutes: int) -> None:
    hours = Hours(DENVER, None)
    entry = started(local(day, 0), hours)

    (span,) = spans_of([entry], hours, local(day, 0) + timedelta(days=3))

    assert (span.minutes, span.is_forgotten) == (minutes, True)


def test_clock_started_after_closing_stops_at_the_end_of_the_day() -> None:
    day = date(2027, 3, 1)
    for start, end in ((local(day, 17, 29), local(day, 17, 30)), (local(day, 17, 30), None)):
        assert HOURS.end(start) == (end or local(date(2027, 3, 2), 0))


Moves = st.lists(
    st.tuples(
        st.sampled_from(["start", "stop", "minutes", "correct"]),
        st.sampled_from(["R. Okafor", "A. Mbeki"]),
        st.sampled_from([1, 2]),
        st.integers(0, 20_000),
        st.integers(0, 300),
        st.integers(1, 6),
    ),
    max_size=25,
)


@settings(max_examples=60, deadline=None)
@given(Moves, st.sampled_from([SPRING, AUTUMN, date(2027, 6, 1)]), st.integers(0, 23))
def test_nobody_is_at_two_places_and_minutes_are_those_that_passed(
    moves: list[tuple[str, str, int, int, int, int]], day: date, hour: int
) -> None:
    store = MemoryStore({})
    now = local(day, hour)
    told: dict[tuple[int, int], int] = {}

    def begin(records: Records) -> None:
        for number in (1, 2):
            records.quotes.add(a_quote(state=QuoteState.in_work, agreed=1))
            records.revisions.add(an_issued_revision(number, 1))

    asyncio.run(store.write(begin))
    for act, who, quote, gone, back, about in moves:
        now += timedelta(seconds=gone)
        stamp = structs.replace(STAMP, at=now, today=HOURS.day(now))
        at = whole_minute(now - timedelta(minutes=back))
        entry = a_clock_entry(quote, at=now, who=who, day=stamp.today, moment=at)
        if HOURS.day(at) != stamp.today:
            entry = structs.replace(entry, moment=whole_minute(now))
        if act == "stop":
            entry = structs.replace(entry, kind=ClockKind.stopped, phase=None, step=None)
        elif act == "minutes":
            entry = structs.replace(entry, kind=ClockKind.minutes, moment=None, minutes=back)
        elif act == "correct":
            entry = structs.replace(
                entry, kind=ClockKind.corrected, moment=None, about=about, minutes=back, reason="-"
            )

        def work(
            records: Records, entry: ClockEntry = entry, stamp: object = stamp
        ) -> ClockEntry | None:
            found = records.quotes.get(entry.quote)
            assert found is not None
            try:
                return clock(records, stamp, found, HOURS, entry)  # type: ignore[arg-type]
            except ActRefused:
                return None

        kept = asyncio.run(store.write(work))
        if kept is not None and kept.kind is ClockKind.corrected:
            told[quote, about] = back
        check_spans(store, now, told)

    later = now + timedelta(days=2)
    check_spans(store, later, told)
    assert not any(span.is_running for span in every_span(store, later))


def every_span(store: MemoryStore, now: datetime) -> list[Span]:
    def work(records: Records) -> list[Span]:
        return [
            span
            for quote in (1, 2)
            for span in spans_of(records.clock_entries.of_quote(quote), HOURS, now)
        ]

    return store.read(work)


def check_spans(store: MemoryStore, now: datetime, told: dict[tuple[int, int], int]) -> None:
    placed: dict[str, list[Span]] = {}
    for span in every_span(store, now):
        if span.correction is not None:
            assert span.minutes == told[span.quote, span.number]
        elif span.starts is not None and span.ends is not None:
            assert span.starts <= span.ends
            assert span.minutes == (span.ends - span.starts).total_seconds() / 60
            assert HOURS.day(span.starts) == span.day
            placed.setdefault(span.who, []).append(span)
    for spans in placed.values():
        spans.sort(key=lambda span: (span.starts, span.ends))
        for one, other in pairwise(spans):
            assert one.ends is not None
            assert other.starts is not None
            assert one.ends <= other.starts


def test_finish_stops_a_clock_when_its_mechanic_began_something_else() -> None:
    store = MemoryStore({})
    day = date(2027, 3, 1)
    first, second, now = (local(day, *at) for at in ((17, 0), (18, 0), (19, 0)))

    def work(records: Records) -> list[Span]:
        quotes = [records.quotes.add(a_quote(state=QuoteState.in_work, agreed=1)) for _ in range(2)]
        records.clock_entries.add(a_clock_entry(1, moment=first, day=day))
        records.clock_entries.add(a_clock_entry(2, moment=second, day=day))
        stamp = structs.replace(STAMP, at=now, today=day)
        stop_clocks(records, stamp, quotes[0])
        return list(spans_of(records.clock_entries.of_quote(1), HOURS, now))

    (span,) = asyncio.run(store.write(work))

    assert (span.ends, span.minutes, span.is_forgotten) == (second, 60, False)
