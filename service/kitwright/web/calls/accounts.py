"""Accounts: calls that finish the work, and on its statement and the machine's collection."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Annotated, Literal

from msgspec import Meta, field, structs

from kitwright.catalogue.model import ChargeKind
from kitwright.keeping import accounts, life
from kitwright.keeping.accounts import Account, StorageUnclear, account_of
from kitwright.keeping.advancing import credit_undue
from kitwright.keeping.charges import charged_for
from kitwright.keeping.clock import stop_clocks
from kitwright.keeping.consent import limit_of
from kitwright.keeping.record import Handover, KeptQuote, Payment, Stamp, StorageFee
from kitwright.keeping.reserving import reserve_used
from kitwright.keeping.store import Records
from kitwright.keeping.sums import Reckoning, read_agreed
from kitwright.keeping.waiting import storage_due
from kitwright.money import Money
from kitwright.quote import Quote, Statement, amount_of, read_quote, read_statement
from kitwright.stages.billing import Clocked, CoreBack, Dealt, Disposed, Used, bill
from kitwright.stages.ordering import NotOrderable
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.tax import gross_up
from kitwright.telling.advance import tell_advances
from kitwright.telling.statement import agreed_lines, tell_statement
from kitwright.telling.storage import tell_storage
from kitwright.units import exact
from kitwright.web.calls.call import Call, answer, tag
from kitwright.web.calls.clocked import clocked_on
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.goods_here import (
    Unbooked,
    absent_lines,
    check_here,
    unbooked_facts,
)
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.ids import QUOTE, Sha256, written
from kitwright.web.calls.order_making import unordered
from kitwright.web.calls.order_wire import LinePlace
from kitwright.web.calls.quotes import QuoteHeadOut, head_of
from kitwright.web.calls.shown import Out
from kitwright.web.calls.standing import standing
from kitwright.web.calls.waiting import StorageOut, storage_out
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Text, UnitCode, Wire

QuantityIn = Annotated[
    str,
    Meta(
        max_length=13,
        pattern=r"^(0|[1-9][0-9]{0,5})(\.[0-9]{1,6})?(?!\n)$",
        description="A quantity, at least zero.",
        examples=["3"],
        extra={"wanted": "a decimal number of at least zero, written as text"},
    ),
]


class GoodsUsedIn(Wire, frozen=True, kw_only=True):
    """What became of the goods of a line: `used` are billed. What was agreed and not used went back
    `to_shelf` or `to_supplier`, or had `not_arrived`.
    """

    line: LinePlace
    used: QuantityIn
    to_shelf: QuantityIn = "0"
    to_supplier: QuantityIn = "0"
    not_arrived: QuantityIn = "0"


class ClockedIn(Wire, frozen=True, kw_only=True):
    """The minutes that were clocked for a line of labour."""

    line: LinePlace
    minutes: QuantityIn


class CoreBackIn(Wire, frozen=True, kw_only=True):
    """Old parts that the customer left: the deposit on each is refunded."""

    line: LinePlace
    quantity: QuantityIn


class DisposedIn(Wire, frozen=True, kw_only=True):
    """Something that the shop disposed of, such as used oil, and where it went."""

    what: Text
    quantity: QuantityIn
    unit: UnitCode
    where: Text | None = None


class FinishIn(Wire, frozen=True, kw_only=True):
    """What was really used and clocked. Lines are named by their place in the quote as it is
    agreed, from 1, with its additions last.
    """

    goods: Annotated[
        tuple[GoodsUsedIn, ...],
        Meta(
            max_length=1_000,
            description="The lines of goods that were not used as agreed. The others are billed as "
            "agreed.",
        ),
    ] = ()
    clocked: Annotated[
        tuple[ClockedIn, ...],
        Meta(
            max_length=1_000,
            description="The minutes of lines of labour. Empty: those of the quote's clock.",
        ),
    ] = ()
    cores: Annotated[
        tuple[CoreBackIn, ...],
        Meta(
            max_length=1_000,
            description="The old parts that the customer left, by line: their deposits are "
            "refunded.",
        ),
    ] = ()
    disposed: Annotated[
        tuple[DisposedIn, ...],
        Meta(max_length=1_000, description="What the shop disposed of; the statement tells it."),
    ] = ()
    unbooked: Unbooked = None
    supplied_on: Annotated[
        date | None, Meta(description="The day on which the work was done; null: today.")
    ] = None
    by: Annotated[Text | None, Meta(description="The person who closes it.")] = None


class CollectIn(Wire, frozen=True, kw_only=True):
    """Who collected the machine, and who handed it over (`by`). `old_parts`: the customer took the
    old parts along. An `unsafe` machine is handed over only if it is tagged and the collector has
    signed for that (`tagged_and_signed`). `storage` is needed if storage is owed: `bill` it, or
    `waive` it for a reason (`waived_why`).
    """

    collector: Text
    storage: Literal["bill", "waive"] | None = None
    waived_why: Text | None = None
    old_parts: bool
    is_unsafe: bool = field(default=False, name="unsafe")
    tagged_and_signed: bool = False
    by: Text


class StatementOut(Out, frozen=True, kw_only=True):
    """A statement with what was paid on it and what is owed. `sha256` is of the JSON of
    `statement`, byte for byte, as it was made; `erased` says that personal data was removed since.
    `storage` is what is owed for storage if the machine is collected today, null once it was, or if
    no agreed terms say so; what was owed then is in `collected`, with its line, and in the account.
    """

    statement: Statement
    sha256: Sha256
    erased: bool
    closed_by: str | None
    account: Account
    payments: tuple[Payment, ...]
    storage: StorageOut | None
    collected: Handover | None
    bills: tuple[str, ...]


class SupplyDayInvalid(RequestFault):
    """A day of supply in the future, or before the quote was made."""

    code = "supply-day-invalid"

    def __init__(self, day: date, first: date, today: date) -> None:
        super().__init__(
            f"{day.isoformat()} is not between {first.isoformat()}, the day of the quote, and "
            f"today ({today.isoformat()})"
        )
        self.day = day


@operation(
    "POST /v1/quotes/{id}/finish",
    "finishQuote",
    "quotes",
    "act-refused",
    "request-refused",
    "catalogue-gap",
    is_guarded=True,
    may_be_empty=True,
)
def finish(records: Records, call: Call, body: FinishIn) -> Reply[QuoteHeadOut]:
    """Finish the work.

    Closes the quote, and makes its statement: what was agreed against what is billed, line by line.
    Without a body, goods are billed as agreed. Labour is billed by the shop's basis: the minutes
    agreed, those clocked, or those clocked up to those agreed. Without `clocked`, they are those of
    the quote's clock: minutes on a step count for its labour class, those on a group of steps for
    the classes that the work plan has in it. If nothing was clocked, the minutes agreed are billed.
    Clocks that run are stopped now, and the event says how many (`clocks_stopped`). A shop that
    bills minutes is refused one that nobody stopped and nobody corrected (`clock-forgotten`). While
    parts orders are not placed, `goods` has to say what was used instead. Goods that never came are
    not billed: while a line of them is not here, by deliveries booked on orders and by the shelf,
    the call is refused (`goods-not-here`, which names them), unless `goods` says that less was
    used, or `unbooked` why they are billed all the same; the event then names the lines in its fact
    `unbooked`. If more was used than agreed, what is free on the shelf is here too, and is drawn
    for the quote. Freight and suppliers' fees are billed at most as they were charged on the orders
    that were placed for the quote. Goods that were reserved and not used are free again. A bill
    above the limit of the authorisation is refused with `bill-over-limit`, which says by how much,
    and which consent is needed. A revision on offer must first be accepted, declined or withdrawn.
    A draft newer than the agreed revision is superseded; `quote.finished` names it in its fact
    `superseded`.
    """
    desk, stamp = call.desk, call.stamp
    quote = call.checked(QUOTE, records.quotes.get)
    life.check_finish(quote)
    if not body.goods and body.unbooked is None:
        life.check_finish(quote, _unordered(desk, records, quote, stamp))
    day = body.supplied_on or stamp.today
    if not quote.made_on <= day <= max(stamp.today, quote.made_on):
        fault = SupplyDayInvalid(day, quote.made_on, stamp.today)
        raise RequestRefused([fault.at("supplied_on")])
    stopped = stop_clocks(records, stamp, quote)
    used = _used(body)
    statement, items = _closed(call, records, quote, used, day)
    over = _unbooked(call, records, quote, used, body.unbooked)
    if over:
        statement = structs.replace(statement, unbooked=body.unbooked)
    reserve_used(records, stamp, quote, items, _more(records, quote, used))
    finished = life.finish(records, stamp, quote, items, stopped, unbooked_facts(over))
    accounts.keep_statement(records, stamp, finished, statement, body.by)
    finished = credit_undue(
        records, stamp, finished, statement, tell_advances(statement.language, statement.quote)
    )
    return answer(desk, head_of(desk, records, finished))


def _unordered(desk: Desk, records: Records, quote: KeptQuote, stamp: Stamp) -> tuple[str, ...]:
    """Return the parts orders, in words, that can still be placed for a quote, and are not."""
    try:
        return unordered(desk, records, quote, stamp.at)
    except NotOrderable:
        return ()


def _unbooked(
    call: Call, records: Records, quote: KeptQuote, used: Used, reason: str | None
) -> tuple[int, ...]:
    """Return the lines of goods that are billed although they are not here, by their places.

    Raises: GoodsNotHere, without a reason.
    """
    agreed = standing(records, quote, life.revision_of(records, quote, quote.agreed or 0))
    billed = {at: Decimal(line.quantity) for at, line in enumerate(agreed.lines, start=1)}
    billed |= {one.line: one.used for one in used.goods}
    catalogue = call.desk.service.workshop.catalogue
    absent = [*absent_lines(records, catalogue, quote.number, agreed, billed)]
    to_shelf = {one.line: one.to_shelf for one in used.goods}
    less = "bill less (`goods` takes what is `not_arrived`)"
    return check_here(absent, billed, reason, to_shelf, less=less)


def _more(records: Records, quote: KeptQuote, used: Used) -> dict[str, Fraction]:
    """Return how much more of each item was used than agreed."""
    agreed = standing(records, quote, life.revision_of(records, quote, quote.agreed or 0))
    more: dict[str, Fraction] = {}
    for one in used.goods:
        line = agreed.lines[one.line - 1]
        beyond = Fraction(one.used) - Fraction(line.quantity)
        if beyond > 0:
            more[line.code] = more.get(line.code, Fraction(0)) + beyond
    return more


def _used(body: FinishIn) -> Used:
    return Used(
        goods=tuple(
            Dealt(
                line=one.line,
                used=Decimal(one.used),
                to_shelf=Decimal(one.to_shelf),
                to_supplier=Decimal(one.to_supplier),
                not_arrived=Decimal(one.not_arrived),
            )
            for one in body.goods
        ),
        clocked=tuple(Clocked(line=one.line, minutes=Decimal(one.minutes)) for one in body.clocked),
        cores=tuple(CoreBack(line=one.line, quantity=Decimal(one.quantity)) for one in body.cores),
        disposed=tuple(
            Disposed(what=one.what, quantity=Decimal(one.quantity), unit=one.unit, where=one.where)
            for one in body.disposed
        ),
    )


def _closed(
    call: Call, records: Records, quote: KeptQuote, used: Used, day: date
) -> tuple[Statement, Mapping[str, Fraction]]:
    """Return the statement of a quote, and how much of each item was used that is not as agreed.

    Raises: RequestRefused, ClockForgotten, BillOverLimit.
    """
    desk = call.desk
    number = quote.agreed or 0
    revision = life.revision_of(records, quote, number)
    agreed: Quote = standing(records, quote, revision)
    if not used.clocked:
        clocked = clocked_on(desk, records, call.stamp, quote, agreed)
        used = structs.replace(used, clocked=clocked)
    reckoning = read_agreed(revision).reckoning
    basis = desk.service.workshop.shop.labour.basis
    billed = bill(
        agreed_lines(agreed),
        used,
        basis=basis,
        area=reckoning.area,
        on=reckoning.on,
        exempt=frozenset(reckoning.exempt),
        charged=_charged(desk, records, quote, reckoning),
    )
    limit = limit_of(records, quote)
    statement = tell_statement(
        agreed,
        billed,
        used,
        quote_id=written(QUOTE, quote.number),
        revision=number,
        supplied_on=day,
        basis=basis,
        limit=limit.authorised,
        limit_includes_tax=limit.includes_tax,
    )
    accounts.check_limit(limit, statement)
    changed = {agreed.lines[one.line - 1].code for one in used.goods}
    items: dict[str, Fraction] = {}
    for line in statement.lines:
        if line.code in changed and line.kind in ("part", "set", "consumable"):
            items[line.code] = items.get(line.code, Fraction(0)) + Fraction(line.quantity)
    return statement, items


def _charged(desk: Desk, records: Records, quote: KeptQuote, reckoning: Reckoning) -> Money | None:
    """Return what suppliers charged in freight and fees for a quote, with tax if the shop's prices
    include it; None if nothing was ordered for it here.
    """
    charged = charged_for(records, quote.number, desk.price_tolerance)
    if charged is None or not desk.service.workshop.shop.selling_prices_include_tax:
        return charged
    grossed = gross_up(exact(charged.amount), reckoning.area, ChargeKind.freight, reckoning.on)
    return Money.of(grossed, charged.currency)


@operation("GET /v1/quotes/{id}/statement", "getStatement", "quotes", "act-refused")
def statement(records: Records, call: Call) -> Reply[StatementOut]:
    """Get the statement of finished work, with payments and the balance."""
    quote = call.record(QUOTE, records.quotes.get)
    kept = accounts.statement_of(records, quote)
    handover = records.handovers.get(quote.number)
    stored = None if handover else storage_due(records, quote, call.stamp.today)
    return Reply(
        body=StatementOut(
            statement=read_statement(kept.body),
            sha256=kept.sha256,
            erased=kept.is_erased,
            closed_by=kept.who,
            account=account_of(records, quote),
            payments=records.payments.of_quote(quote.number),
            storage=None if stored is None else storage_out(stored),
            collected=handover,
            bills=tuple(one.name for one in records.bills.of_quote(quote.number)),
        ),
        tag=tag(quote, call.desk.gate.epoch),
    )


@operation(
    "POST /v1/quotes/{id}/collected",
    "collectMachine",
    "quotes",
    "act-refused",
    is_guarded=True,
)
def collected(records: Records, call: Call, body: CollectIn) -> Reply[QuoteHeadOut]:
    """Record that the machine was collected, with the balance at that moment.

    What is owed for storage by the terms of the agreed ticket is billed now, or waived for a
    reason. Until one of both is said, the call is refused with `storage-unclear`, which says how
    much it is. It is a line of its own on the account, and on the next invoice.
    """
    desk = call.desk
    quote = call.checked(QUOTE, records.quotes.get)
    handover = Handover(
        quote=quote.number,
        at=call.stamp.at,
        day=call.stamp.today,
        collector=body.collector,
        old_parts=body.old_parts,
        is_unsafe=body.is_unsafe,
        balance=Money(0, quote.net.currency),
        who=body.by,
        storage=_stored(records, call, quote, body),
    )
    done = accounts.collect(records, call.stamp, quote, handover, is_tagged=body.tagged_and_signed)
    return answer(desk, head_of(desk, records, done))


def _stored(records: Records, call: Call, quote: KeptQuote, body: CollectIn) -> StorageFee | None:
    """Return what is owed for storage and what becomes of it, None if nothing is.

    Raises: StorageUnclear.
    """
    due, today = storage_due(records, quote, call.stamp.today), call.stamp.today
    if due is None or due.free_until is None or not due.fee.minor:
        if body.storage is not None:
            raise StorageUnclear("no storage is owed: leave `storage` out")
        return None
    told = f"{due.fee.amount_text} {due.fee.currency} is owed for storage of {due.days} days"
    if body.storage is None:
        raise StorageUnclear(
            f"{told} after {due.free_until.isoformat()}: say in `storage` whether you bill or "
            "waive it"
        )
    if (body.storage == "waive") is not (body.waived_why is not None):
        raise StorageUnclear(f"{told}: `waived_why` says why it is waived, and only then")
    revision = life.revision_of(records, quote, quote.agreed or quote.shown)
    if body.storage == "waive":
        fee = amount_of(due.fee)
        return StorageFee(free_until=due.free_until, days=due.days, fee=fee, waived=body.waived_why)
    kept = records.statements.get(quote.number)
    return tell_storage(
        due,
        due.free_until,
        read_agreed(revision).reckoning,
        place=1 + (0 if kept is None else len(read_statement(kept.body).lines)),
        on=today,
        language=read_quote(revision.answer).language,
    )
