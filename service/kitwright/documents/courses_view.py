"""Courses view: the courses of a quote and the advice, as documents tell them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from msgspec import Struct

from kitwright.language.scribe import Scribe
from kitwright.quote import AnotherMachine, Course, Quote, RightToWithdraw, WarrantyTerms

MACHINE: Final = "machine"
"""The row of another machine, which is no course to choose."""


class CourseRow(Struct, frozen=True, kw_only=True):
    """A course in words: its `facts` are the day, what it leaves out and what may be added, and the
    warranty if the courses differ in it.
    """

    course: str
    name: str
    total: str
    facts: tuple[str, ...]


def courses_of(
    quote: Quote, scribe: Scribe, right: RightToWithdraw | None = None
) -> tuple[CourseRow, ...]:
    """Return the courses of a quote, the least first, and another machine as the last; empty if
    there is nothing to compare. `right` is the customer's right to withdraw, which the work may
    have to wait for.
    """
    waits = right is not None and right.waits_for_end
    machine = quote.another_machine
    if len(quote.courses) < 2 and machine is None:
        return ()
    rows = tuple(
        CourseRow(
            course=course.course,
            name=_name(course, scribe),
            total=scribe.amount(course.total),
            facts=tuple(_facts(course, quote, scribe, waits=waits)),
        )
        for course in quote.courses
    )
    return rows if machine is None else (*rows, _machine_row(machine, scribe))


def ways_of(quote: Quote, scribe: Scribe) -> tuple[CourseRow, ...]:
    """Return the courses of a quote that its customer can choose."""
    return tuple(row for row in courses_of(quote, scribe) if row.course != MACHINE)


def _machine_row(machine: AnotherMachine, scribe: Scribe) -> CourseRow:
    left = scribe.say("Your own machine stays as it is, not repaired.")
    return CourseRow(
        course=MACHINE,
        name=machine.name,
        total=scribe.amount(machine.total),
        facts=(*(reason.text for reason in machine.reasons), left),
    )


def _name(course: Course, scribe: Scribe) -> str:
    if not course.is_advised:
        return course.name
    return scribe.say("{course} (we advise this one)", course=course.name)


def _is_shared(quote: Quote) -> bool:
    """Return whether all courses have the same warranty, which is then told once."""
    return all(one.warranty == quote.courses[0].warranty for one in quote.courses)


def _facts(course: Course, quote: Quote, scribe: Scribe, *, waits: bool) -> Iterator[str]:
    say = scribe.say
    yield say("Work: {work}.", work=scribe.together(course.jobs))
    if course.ready_on is not None and waits:
        yield say(
            "Ready {day}, if you agree today, tick the early start, and nothing else is found.",
            day=scribe.day(course.ready_on),
        )
    elif course.ready_on is not None:
        yield say(
            "Ready {day}, if you agree today and nothing else is found.",
            day=scribe.day(course.ready_on),
        )
    if not _is_shared(quote):
        yield warranty_told(course.warranty, scribe)
    left = left_told(course, quote, scribe)
    if left:
        yield say("Not done: {work}.", work=left)
    if course.range is not None:
        yield say(
            "In 9 of 10 such repairs the total stays within about {amount}.",
            amount=scribe.about(course.range.p90),
        )
    yield from (reason.text for reason in course.reasons)


def left_told(course: Course, quote: Quote, scribe: Scribe) -> str:
    """Return the work that a course leaves undone, empty if it leaves none. What only a course that
    replaces does is a way of its own: it is not named.
    """
    if not course.unfixed:
        return ""
    repairs = {
        (job.job, job.cylinder)
        for one in quote.courses
        if one.course not in ("short_block", "engine")
        for job in one.jobs
    }
    left = scribe.together(job for job in course.unfixed if (job.job, job.cylinder) in repairs)
    return left or scribe.say("work on the rest of the engine")


def warranty_told(terms: WarrantyTerms, scribe: Scribe) -> str:
    """Return a warranty in words."""
    return scribe.say(
        "Work {labour} days, other makes' parts {parts}, the maker's parts by its terms; rights "
        "by law stay.",
        labour=scribe.number(str(terms.labour_days)),
        parts=scribe.number(str(terms.alternate_parts_days)),
    )


def advice_of(quote: Quote, scribe: Scribe) -> tuple[str, ...]:
    """Return the warranty that all courses have, what speaks for repairing and for replacing, and
    what is still to be asked.
    """
    shared = []
    if len(quote.courses) > 1 and _is_shared(quote):
        shared.append(warranty_told(quote.courses[0].warranty, scribe))
    advice = quote.advice
    if advice is None or not quote.courses:
        return tuple(shared)
    say = scribe.say
    told = [reason.text for reason in advice.reasons]
    asked = {
        "value": say("what the machine is worth"),
        "age_years": say("how old the machine is"),
        "hours": say("how many hours it has run"),
    }
    if advice.missing:
        wanted = "; ".join(asked[name] for name in advice.missing)
        told.append(say("To advise you better, we would like to know: {facts}.", facts=wanted))
    if told:
        told.append(say("The decision is yours."))
    return (*shared, *told)
