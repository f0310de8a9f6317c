"""Stop: the call that ends work that its customer declines, and bills what is due."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction
from typing import Annotated, Final, Literal

from msgspec import Meta, Struct, structs

from kitwright.errors import KitwrightError
from kitwright.keeping import accounts, stopping
from kitwright.keeping.advancing import credit_undue
from kitwright.keeping.consent import limit_of
from kitwright.keeping.record import KeptQuote, QuoteState, Revision
from kitwright.keeping.stopping import StopNotPriced, check_stop, kept_places
from kitwright.keeping.store import Records
from kitwright.keeping.sums import read_agreed, read_reckoning
from kitwright.quote import Quote, Statement, StoppedAt
from kitwright.stages.billing import (
    GOODS,
    Minutes,
    Most,
    StoppedBill,
    Used,
    bill_stopped,
)
from kitwright.stages.outcome import Outcome
from kitwright.stages.price import DIAGNOSTIC_FEE
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.stages.work_plan import UsedUp, find_used, part_of
from kitwright.telling.advance import tell_advances
from kitwright.telling.statement import agreed_lines, tell_statement
from kitwright.telling.stopped import tell_stopped_lines
from kitwright.web.calls.call import Call, answer
from kitwright.web.calls.clock import UnknownStep
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.goods_here import (
    Unbooked,
    absent_lines,
    check_here,
    unbooked_facts,
)
from kitwright.web.calls.handlers import Work, operation
from kitwright.web.calls.ids import QUOTE, written
from kitwright.web.calls.order_wire import LinePlace
from kitwright.web.calls.quotes import QuoteHeadOut, changed_since, head_of
from kitwright.web.calls.reckoning import asked_of, shelf_of
from kitwright.web.calls.service import Service
from kitwright.web.calls.standing import standing
from kitwright.web.edge.problems import GAPS
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Text, Wire

_CANNOT: Final[tuple[type[KitwrightError], ...]] = (RequestRefused, *GAPS)
"""Errors that say that a request can no longer be answered."""
_ADDITION: Final = "addition-"
"""The start of the code of a line that was added after the acceptance."""


class StopIn(Wire, frozen=True, kw_only=True):
    """Where the work stands, and what is billed of it. `step` and `machine` are both needed if the
    work has begun, and left out if it has not.
    """

    step: Annotated[
        Text | None,
        Meta(
            description="The first step that is not done: the `step` of one of `work_plan.steps` "
            "of the agreed quote. All steps before it are done, it and all after it are not."
        ),
    ] = None
    machine: Annotated[
        Literal["put_together", "boxes"] | None,
        Meta(description="Whether the machine is put together again or returned in boxes."),
    ] = None
    not_done: Annotated[
        tuple[LinePlace, ...],
        Meta(
            max_length=1_000,
            description="The lines added after the acceptance that are not billed, by their "
            "places in the quote. The other added lines are billed.",
        ),
    ] = ()
    unbooked: Unbooked = None
    by: Annotated[Text | None, Meta(description="The person who closes it.")] = None


class StopUnclear(RequestFault):
    """A stop without the step at which the work stands, or with one before it began."""

    code = "stop-unclear"


class NoAddition(RequestFault):
    """A line that was not added after the acceptance."""

    code = "no-added-line"

    def __init__(self, line: int) -> None:
        super().__init__(f"line {line} was not added after the acceptance")
        self.line = line


class _Plan(Struct, frozen=True):
    """The work that was agreed, worked out once more, and the service that did it."""

    outcome: Outcome
    service: Service


class _Case(Struct, frozen=True, kw_only=True):
    """A quote that is stopped: the revision, as it is told with its additions, where it stands, its
    plan (None if nothing was agreed), and the added lines that are not done.
    """

    quote: KeptQuote
    revision: Revision
    said: Quote
    at: StoppedAt
    plan: _Plan | None
    not_done: frozenset[int]


@operation(
    "POST /v1/quotes/{id}/stop",
    "stopQuote",
    "quotes",
    "act-refused",
    "request-refused",
    is_guarded=True,
    may_be_empty=True,
)
def stop(call: Call, body: StopIn) -> Work[QuoteHeadOut]:
    """Stop the work for good.

    Closes a quote whose customer declines the rest of the work, and makes its statement, as the
    work plan and the shop's terms say: the minutes done and those of putting the machine together,
    or less of these if it is returned in boxes; what was fitted or used up and, unless it is
    returned in boxes, what is renewed as it is put together; the special orders that were sent, and
    other parts whose days for returning are over; sublet work that was done; and the diagnostic fee
    without its credit. It is never more than the quote, nor than the limit of the authorisation.
    What is reserved and not used is free again; orders that can still be cancelled or sent back
    are, by the calls for that. Before the work has begun, there are no minutes. Goods that were
    used and are not here are refused (`goods-not-here`), unless `unbooked` says why they are
    billed. Of a quote that was declined or has expired, only the diagnostic fee is owed, and
    storage once the machine is collected (`nothing-owed` if it has neither). Of work whose customer
    withdrew, what was done until then is owed: the minutes done, and the goods fitted or used. A
    revision on offer must first be accepted, declined or withdrawn. The statement is invoiced, paid
    and the machine collected as after finished work.
    """
    desk = call.desk

    def before(records: Records) -> tuple[KeptQuote, Revision, Quote]:
        quote = call.record(QUOTE, records.quotes.get)
        revision = check_stop(records, quote, call.stamp.today)
        return quote, revision, standing(records, quote, revision)

    seen, revision, said = desk.store.read(before)
    case = _Case(
        quote=seen,
        revision=revision,
        said=said,
        at=_stopped_at(seen, said, body),
        plan=None if seen.agreed is None else _planned(desk, revision, said),
        not_done=frozenset(body.not_done),
    )

    def work(records: Records) -> Reply[QuoteHeadOut]:
        quote = call.checked(QUOTE, records.quotes.get)
        check_stop(records, quote, call.stamp.today)
        if quote != seen:
            raise changed_since(desk, quote)
        used = _used(call, records, case)
        due = _due(case, used)
        over = _not_here(call, records, case, body.unbooked)
        statement = _statement(call, records, case, used, due)
        facts: dict[str, str | int | None] = {
            "before_step": case.at.before_step,
            "machine": case.at.machine,
        }
        if over:
            statement = structs.replace(statement, unbooked=body.unbooked)
        facts |= unbooked_facts(over)
        stopped = stopping.stop(records, call.stamp, quote, _items(said, due), facts)
        accounts.keep_statement(records, call.stamp, stopped, statement, body.by)
        words = tell_advances(statement.language, statement.quote)
        stopped = credit_undue(records, call.stamp, stopped, statement, words)
        return answer(desk, head_of(desk, records, stopped))

    return work


def _stopped_at(quote: KeptQuote, agreed: Quote, body: StopIn) -> StoppedAt:
    """Return where the work stands. Raises: RequestRefused."""
    faults: list[KitwrightError] = []
    has_begun = quote.state is QuoteState.in_work
    for name in ("step", "machine"):
        is_given = getattr(body, name) is not None
        if is_given is not has_begun:
            reason = "the work has begun" if has_begun else "the work has not begun"
            wanted = "is needed" if has_begun else "says nothing"
            faults.append(StopUnclear(f"{reason}: `{name}` {wanted}").at(name))
    found = next((one for one in agreed.work_plan.steps if one.step == body.step), None)
    if has_begun and body.step is not None and found is None:
        faults.append(UnknownStep(body.step).at("step"))
    for index, place in enumerate(body.not_done):
        lines = agreed.lines[place - 1 : place]
        if not lines or not lines[0].code.startswith(_ADDITION):
            faults.append(NoAddition(place).at("not_done", index))
    if faults:
        raise RequestRefused(faults)
    if found is None:
        return StoppedAt(before_step=None, step=None, machine=None)
    return StoppedAt(before_step=found.number, step=found.name, machine=body.machine)


def _planned(desk: Desk, revision: Revision, agreed: Quote) -> _Plan:
    """Return the agreed work as it was planned. Raises: StopNotPriced, if that is not known."""
    service = desk.service_of(revision.catalogue_revision) or desk.service
    reckoning = read_reckoning(revision)
    rows = None if reckoning is None else reckoning.shelf
    stock = desk.stock(revision.quote) if rows is None else shelf_of(rows)
    asked = structs.replace(asked_of(revision), contingencies=False)
    try:
        outcome = service.work_out(asked, stock)
    except _CANNOT:
        raise StopNotPriced(revision.number) from None
    own = [line for line in agreed.lines if not line.is_added]
    lines = [(str(line.kind), line.code) for line in outcome.repair.lines]
    if lines != [(line.kind, line.code) for line in own]:
        raise StopNotPriced(revision.number)
    if [step.name for step in outcome.plan.steps] != [one.step for one in agreed.work_plan.steps]:
        raise StopNotPriced(revision.number)
    return _Plan(outcome, service)


def _not_here(call: Call, records: Records, case: _Case, reason: str | None) -> tuple[int, ...]:
    """Return the lines of which more was used than is here. Raises: GoodsNotHere, without a reason.

    What is only due because it can't go back may still be on its way.
    """
    if case.plan is None or case.at.before_step is None:
        return ()
    catalogue, number = call.desk.service.workshop.catalogue, case.quote.number
    absent = [*absent_lines(records, catalogue, number, case.said)]
    due = _due(case, _used(call, records, case, is_kept=False))
    return check_here(absent, due, reason, less="name an earlier `step`, before they are fitted")


def _used(call: Call, records: Records, case: _Case, *, is_kept: bool = True) -> UsedUp | None:
    """Return what is due of the agreed work, None if nothing was agreed; with `is_kept`, also what
    can't go back.
    """
    if case.plan is None:
        return None
    outcome, shop = case.plan.outcome, case.plan.service.workshop.shop
    catalogue = call.desk.service.workshop.catalogue
    # who withdrew owes what was done until then, and nothing else
    is_withdrawn = case.quote.withdrawn_at is not None
    return find_used(
        shop,
        outcome.plan,
        outcome.repair.lines,
        outcome.repair.kit.needs,
        before=case.at.before_step or 1,
        in_boxes=case.at.machine == "boxes",
        kept=kept_places(records, catalogue, case.quote.number, call.stamp.today)
        if is_kept and not is_withdrawn
        else (),
        is_refitted=not is_withdrawn,
    )


def _due(case: _Case, used: UsedUp | None) -> dict[int, Decimal]:
    """Return the quantity of each line that is due, by its place from 1."""
    lines = dict(enumerate(case.said.lines, start=1))
    whole = {at: Decimal(line.quantity) for at, line in lines.items()}
    if used is None:
        return {at: whole[at] for at, line in lines.items() if line.code == DIAGNOSTIC_FEE}
    due = {one.place + 1: part_of(whole[one.place + 1], one.share) for one in used.shares}
    added = (at for at, line in lines.items() if line.is_added and at not in case.not_done)
    return due | {at: whole[at] for at in added}


def _statement(
    call: Call,
    records: Records,
    case: _Case,
    used: UsedUp | None,
    due: Mapping[int, Decimal],
) -> Statement:
    """Return the statement of stopped work, never above what the customer authorised."""
    limit = None if case.plan is None else limit_of(records, case.quote)
    most = None
    if limit is not None:
        # the price of the quote, which is within the limit
        most = Most(limit.committed + limit.spent, limit.includes_tax)
    bill = _bill(case, used, due, most)
    speaker = call.desk.service.speaker(case.said.language)
    more = tell_stopped_lines(bill.lines, speaker, in_boxes=case.at.machine == "boxes")
    return tell_statement(
        structs.replace(case.said, lines=(*case.said.lines, *more)),
        bill.billed,
        Used(),
        quote_id=written(QUOTE, case.quote.number),
        revision=case.revision.number,
        supplied_on=call.stamp.today,
        basis=call.desk.service.workshop.shop.labour.basis,
        limit=bill.billed.taxed.gross if limit is None else limit.authorised,
        limit_includes_tax=limit is None or limit.includes_tax,
        stopped=case.at,
    )


def _bill(
    case: _Case, used: UsedUp | None, due: Mapping[int, Decimal], most: Most | None
) -> StoppedBill:
    reckoning = read_agreed(case.revision).reckoning
    minutes: list[Minutes] = []
    if case.plan is not None and used is not None:
        rates = case.plan.service.workshop.shop.labour.rates
        minutes += (
            Minutes(labour_class=name, minutes=each, rate=Decimal(rates[name]))
            for name, each in used.minutes.items()
        )
    return bill_stopped(
        agreed_lines(case.said),
        due,
        minutes,
        most=most,
        area=reckoning.area,
        on=reckoning.on,
        exempt=frozenset(reckoning.exempt),
    )


def _items(agreed: Quote, due: Mapping[int, Decimal]) -> dict[str, Fraction]:
    """Return how much of each item was used, in its unit."""
    items: dict[str, Fraction] = {}
    for place, quantity in due.items():
        line = agreed.lines[place - 1]
        if line.kind in GOODS:
            items[line.code] = items.get(line.code, Fraction(0)) + Fraction(quantity)
    return items
