"""Judging: fills in how the shop's warranty applies to a request for a machine that came back."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import TypeVar

from msgspec import UNSET, structs

from kitwright.catalogue.model import JobId
from kitwright.errors import KitwrightError
from kitwright.keeping.come_backs import (
    CauseUnclear,
    ComeBackImpossible,
    JobNotDone,
    PartNotFitted,
    Settled,
    VisitNotFinished,
    VisitOfOther,
    VisitUnknown,
    is_warranted,
    judge,
)
from kitwright.keeping.record import KeptQuote
from kitwright.keeping.store import Records
from kitwright.stages.request import BackCause, ComeBack, CoveredJob, RequestRefused
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.ids import CUSTOMER, MACHINE, QUOTE, read_id, written
from kitwright.web.calls.wire import ComesBackIn, JudgedIn, PreviewIn

T = TypeVar("T", bound=PreviewIn)
_MEMBER = "comes_back"
_AHEAD = timedelta(days=366)
"""A machine may be expected back, but no later than that."""


def judged(desk: Desk, records: Records, asked: T, quote: int | None = None) -> T:
    """Return a request with how the shop's warranty applies.

    `quote` is the number of the quote that it is for, None of a new one. The machine came back on
    its first day, unless the request names another.

    Raises: RequestRefused.
    """
    said = asked.comes_back
    if said is None:
        return structs.replace(asked, judged=UNSET)
    faults = [fault.at(_MEMBER, *fault.path) for fault in _unclear(said)]
    visit = _visit(records, said, quote, faults)
    if visit is None:
        raise RequestRefused(faults)
    faults += _other(asked, visit, said.quote)
    last = desk.today() + _AHEAD
    if said.on is not None and not visit.made_on <= said.on <= last:
        faults.append(ComeBackImpossible(said.on, visit.made_on, last).at(_MEMBER, "on"))
    if faults:
        raise RequestRefused(faults)
    kept = None if quote is None else records.quotes.get(quote)
    on = said.on or (None if kept is None else kept.made_on) or asked.on or desk.today()
    settled = Settled(
        visit=said.quote,
        on=on,
        cause=None if said.cause is None else BackCause(said.cause),
        jobs=tuple(CoveredJob(JobId(one.job), one.cylinder) for one in said.jobs),
        part=said.part,
        reason=said.reason,
        by=said.by,
    )
    try:
        found = judge(records, desk.service.workshop.shop.quote.warranty, visit, settled)
    except PartNotFitted as fault:
        raise RequestRefused([fault.at(_MEMBER, "part")]) from None
    except JobNotDone as fault:
        raise RequestRefused([fault.at(_MEMBER, "jobs")]) from None
    return structs.replace(asked, judged=_written(found, said))


def of_visit(records: Records, said: ComesBackIn | None) -> dict[str, str]:
    """Return the customer and the machine of the earlier visit, by id, as far as they are kept."""
    visit = None if said is None else records.quotes.get(read_id(QUOTE, said.quote))
    if visit is None:
        return {}
    customer = None if visit.customer is None else records.customers.get(visit.customer)
    machine = None if visit.machine is None else records.machines.get(visit.machine)
    found: dict[str, str] = {}
    if customer is not None and customer.erased_at is None:
        found["customer"] = written(CUSTOMER, customer.number)
    if machine is not None and machine.erased_at is None:
        found["machine"] = written(MACHINE, machine.number)
    return found


def _visit(
    records: Records, said: ComesBackIn, quote: int | None, faults: list[KitwrightError]
) -> KeptQuote | None:
    number = read_id(QUOTE, said.quote)
    visit = records.quotes.get(number)
    if visit is None or number == quote:
        faults.append(VisitUnknown(said.quote).at(_MEMBER, "quote"))
        return None
    if not is_warranted(records, visit):
        faults.append(VisitNotFinished(said.quote, visit.state).at(_MEMBER, "quote"))
        return None
    return visit


def _unclear(said: ComesBackIn) -> Iterator[KitwrightError]:
    """Yield the errors of what belongs together and is not there."""
    if said.cause is None:
        for member in ("jobs", "part", "reason", "by"):
            if getattr(said, member):
                yield CauseUnclear(f"give `cause` with {member}, or leave it out").at(member)
        return
    for member in ("reason", "by"):
        if not getattr(said, member):
            yield CauseUnclear(f"a settled cause needs {member}").at(member)
    if said.cause == "part" and said.part is None:
        yield CauseUnclear("name the part that failed").at("part")
    if said.cause != "part" and said.part is not None:
        yield CauseUnclear("a part is named if the cause is `part`").at("part")
    if said.cause == "new_fault" and said.jobs:
        yield CauseUnclear("the jobs of a new fault are charged: name none").at("jobs")


def _other(asked: PreviewIn, visit: KeptQuote, named: str) -> Iterator[KitwrightError]:
    """Yield the error of an earlier visit of another machine."""
    machine = getattr(asked, "machine", None)
    there = None if visit.machine is None else written(MACHINE, visit.machine)
    if machine is not None and there is not None and machine != there:
        yield VisitOfOther(named, "machine", there, machine).at(_MEMBER, "quote")
    elif asked.family != visit.family:
        yield VisitOfOther(named, "family", visit.family, asked.family).at(_MEMBER, "quote")
    elif None not in (asked.serial, visit.serial) and asked.serial != visit.serial:
        yield VisitOfOther(named, "serial number", visit.serial, asked.serial).at(_MEMBER, "quote")


def _written(found: ComeBack, said: ComesBackIn) -> JudgedIn:
    return JudgedIn(
        visit=found.visit,
        since=found.since,
        on=found.on,
        ground=found.ground,
        cause=found.cause,
        until=found.until,
        jobs=said.jobs,
        part=found.part,
        reason=found.reason,
        by=found.by,
    )
