"""Order acts: an order is sent, answered, received, billed, returned or cancelled.

Every act takes the records of one transaction. It checks that the act is allowed, adds one entry to
the order, and one event. The order's state follows from its entries.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import date, timedelta
from fractions import Fraction
from types import MappingProxyType
from typing import Final

import msgspec
from msgspec import Struct, structs

from kitwright.catalogue.model import Quality
from kitwright.keeping.acts import AT_WORK, ActRefused
from kitwright.keeping.event import Facts, add_event, keep_change
from kitwright.keeping.goods_in import Goods, may_leave, shelve, unshelve
from kitwright.keeping.kinds import EventKind
from kitwright.keeping.order_entry import (
    Answered,
    AnsweredLine,
    BillBack,
    Billed,
    BilledLine,
    Cancelled,
    CancelledLine,
    Fact,
    Part,
    Received,
    ReceivedLine,
    Returned,
    ReturnedLine,
    ReturnReason,
    Sent,
    fact_of,
    kind_of,
    standing_bills,
)
from kitwright.keeping.order_progress import (
    LineState,
    Progress,
    advance,
    progress_of,
    split,
    split_last,
)
from kitwright.keeping.record import KeptOrder, OrderEntry, OrderState, QuoteState, Stamp
from kitwright.keeping.reserving import reserve_opened
from kitwright.keeping.store import Records
from kitwright.money import Money, round_ratio

_UNDER_WAY: Final = frozenset({OrderState.sent, OrderState.confirmed, OrderState.part_received})
_OUT: Final = _UNDER_WAY | {OrderState.received}
ORDER_ACTS: Final[Mapping[str, frozenset[OrderState]]] = MappingProxyType(
    {
        "send": frozenset({OrderState.draft}),
        "confirm": _UNDER_WAY,
        "receipts": _OUT,
        "bills": _OUT,
        "returns": _OUT | {OrderState.cancelled},
        "cancel": _UNDER_WAY | {OrderState.draft},
    }
)
"""Act -> the states of an order in which it can be thought of."""
_Line = AnsweredLine | ReceivedLine | BilledLine | CancelledLine
_REOPENED: Final = AT_WORK | {QuoteState.accepted}


class OrderNotNow(ActRefused):
    """An act that the order's state does not allow."""

    code = "order-not-in-this-state"

    def __init__(self, act: str, state: OrderState) -> None:
        needed = " or ".join(one.value for one in OrderState if one in ORDER_ACTS[act])
        super().__init__(
            f"can't do this with an order in state {state.value}: it has to be {needed}"
        )
        self.act = act
        self.state = state


class LineUnknown(ActRefused):
    """A line that the order does not have."""

    code = "order-line-unknown"

    def __init__(self, line: int, last: int) -> None:
        super().__init__(f"the order has no line {line}: its lines are 1 to {last}")
        self.line = line


class LineTwice(ActRefused):
    """A line that is named twice."""

    code = "order-line-twice"

    def __init__(self, line: int) -> None:
        super().__init__(f"line {line} is named twice: give its packs together")
        self.line = line


class BillTwice(ActRefused):
    """A bill whose number was recorded for the order before."""

    code = "bill-recorded"

    def __init__(self, number: str) -> None:
        super().__init__(f"bill {number} of this order is recorded already")
        self.number = number


class BillUnknown(ActRefused):
    """A bill that is not recorded for the order, or was taken back."""

    code = "bill-unknown"

    def __init__(self, number: str, there: Iterable[str]) -> None:
        super().__init__(
            f"no bill {number} of this order is recorded; recorded are: "
            f"{', '.join(there) or 'none'}"
        )
        self.number = number


class TooMany(ActRefused):
    """More packs than there are to be cancelled, refused or sent back."""

    code = "too-many-packs"

    def __init__(self, line: int, packs: int, most: int) -> None:
        super().__init__(f"line {line}: {packs} is more than the {most} there are for this")
        self.line = line
        self.most = most


class NotTakenBack(ActRefused):
    """Goods that the supplier does not take back, or no longer."""

    code = "not-taken-back"

    def __init__(self, line: int, until: date | None) -> None:
        reason = (
            "the supplier does not take it back"
            if until is None
            else f"the supplier took it back until {until.isoformat()}"
        )
        super().__init__(f"line {line}: {reason}; say in `agreed` what the supplier agreed to")
        self.line = line
        self.until = until


class DraftIsWhole(ActRefused):
    """Some packs of an order that was not sent yet: with fewer, it would have other terms."""

    code = "draft-is-whole"

    def __init__(self) -> None:
        super().__init__("this order is not sent yet: cancel it as a whole, then order again")


class LineTerms(Struct, frozen=True, kw_only=True):
    """The terms of a line by the catalogue: the amount in a pack, in millionths of the item's unit;
    the quality of the goods; the cost of a unit, in minor units; and what the supplier takes back.

    `return_days` and `core_days` count from the arrival; None if it takes nothing back. `core` is
    the deposit on an old part.
    """

    per_pack: int
    quality: Quality
    cost: Fraction
    restock_percent: Fraction
    return_days: int | None
    core_days: int | None
    core: Money | None
    pieces: int

    def return_by(self, line: LineState) -> date | None:
        """Return the last day to send back goods that are not needed; None if there is none."""
        return _until(line, self.return_days)

    def core_by(self, line: LineState) -> date | None:
        """Return the last day to send back old parts; None if there is none."""
        return None if self.core is None else _until(line, self.core_days)

    def cores(self, line: LineState) -> int:
        """Return the old parts that may still be sent back for their deposit."""
        if self.core is None or self.core_days is None:
            return 0
        back = line.back.get(ReturnReason.not_needed, 0)
        return (line.received - back) * self.pieces - line.back.get(ReturnReason.core, 0)


def _until(line: LineState, days: int | None) -> date | None:
    return max(line.days) + timedelta(days=days) if days is not None and line.days else None


Terms = Callable[[LineState], LineTerms]


class Doing(Struct, frozen=True, kw_only=True):
    """An act on an order: who does it and when; `name` is the order's id."""

    records: Records
    stamp: Stamp
    order: KeptOrder
    name: str
    now: Progress
    terms: Terms
    who: str = ""


class Done(Struct, frozen=True, kw_only=True):
    """An order after an act, its state before and after, and the quotes whose needs are open
    again.
    """

    order: KeptOrder
    before: Progress
    after: Progress
    reopened: tuple[int, ...] = ()


def possible_order_acts(
    records: Records, now: Progress, terms: Terms, today: date
) -> tuple[str, ...]:
    """Return the acts that are not refused as an order stands, by name.

    What a supplier only takes back by agreement is not offered.
    """
    met = {"returns": any(_may_return(records, line, terms(line), today) for line in now.lines)}
    return tuple(
        sorted(
            act for act, states in ORDER_ACTS.items() if now.state in states and met.get(act, True)
        )
    )


def _may_return(records: Records, line: LineState, terms: LineTerms, today: date) -> bool:
    faulty = (ReturnReason.damaged, ReturnReason.wrong, ReturnReason.over)
    return (
        any(line.waiting(why) > 0 for why in faulty)
        or (
            line.waiting(ReturnReason.not_needed) > 0
            and _in_time(terms.return_by(line), today)
            and may_leave(records, line, terms.per_pack)
        )
        or (terms.cores(line) > 0 and _in_time(terms.core_by(line), today))
    )


def _in_time(until: date | None, today: date) -> bool:
    return until is not None and today <= until


def send(doing: Doing, fact: Sent) -> Done:
    """Return an order that was sent to its supplier. Raises: OrderNotNow."""
    _check(doing, "send")
    return _record(doing, "order.sent", fact, {"means": fact.means.value})


def answer(doing: Doing, fact: Answered) -> Done:
    """Return an order with its supplier's answer. Packs that the supplier refuses are cancelled,
    those of the quotes that come last first.

    Raises: OrderNotNow, LineUnknown, LineTwice, TooMany.
    """
    _check(doing, "confirm")
    lines = _lines(doing, fact.lines)
    said = []
    for one in fact.lines:
        line = lines[one.line]
        if one.refused > line.due:
            raise TooMany(one.line, one.refused, line.due)
        said.append(structs.replace(one, parts=_last(line, one.refused)))
    return _record(doing, "order.confirmed", structs.replace(fact, lines=tuple(said)))


def receive(doing: Doing, fact: Received, bins: Mapping[int, str]) -> Done:
    """Return an order with a delivery. Goods as ordered, and those over that the shop keeps, go
    onto the shelf; for whom they were ordered, they are reserved in the order of the allocations.

    Args:
        fact: `packs` are all good packs that arrived; those that are more than were due are
            recorded as over.
        bins: line -> where its goods are put, if not where others like them are.

    Raises: OrderNotNow, LineUnknown, LineTwice, TooMany.
    """
    _check(doing, "receipts")
    lines = _lines(doing, fact.lines)
    arrived = tuple(_received(doing, lines[one.line], one, bins) for one in fact.lines)
    done = _record(doing, "order.received", structs.replace(fact, lines=arrived))
    for number in dict.fromkeys(part.quote for one in arrived for part in one.parts):
        quote = doing.records.quotes.get(number)
        if quote is not None and quote.state in _REOPENED:
            # more may be agreed by now than when it was ordered
            reserve_opened(doing.records, doing.stamp, quote)
    return done


def _received(
    doing: Doing, line: LineState, one: ReceivedLine, bins: Mapping[int, str]
) -> ReceivedLine:
    packs = min(one.packs, line.due)
    over = one.packs - packs
    if one.kept > over:
        raise TooMany(one.line, one.kept, over)
    parts = split(line.holders, packs, lambda holder: holder.due)
    if packs + one.kept:
        goods = _goods(doing, line, bins.get(one.line))
        parts = shelve(doing.records, doing.stamp, goods, packs + one.kept, parts)
    per_pack = doing.terms(line).per_pack
    return structs.replace(one, packs=packs, over=over, per_pack=per_pack, parts=parts)


def give_back(doing: Doing, fact: Returned) -> Done:
    """Return an order some of whose goods went back. Goods that were on the shelf leave it; those
    of quotes that come last go first, and their needs are open again.

    Raises: OrderNotNow, LineUnknown, LineTwice, TooMany, NotTakenBack, NotOnShelf.
    """
    _check(doing, "returns")
    now, sent = doing.now, []
    reopened = set[int]()
    for one in fact.lines:
        line = _line(now, one.line)
        back = _returned(doing, line, one, is_agreed=fact.agreed is not None)
        now = advance(now, Returned(number=None, agreed=None, lines=(back,)))
        reopened.update(part.quote for part in back.parts)
        sent.append(back)
    return _record(
        doing, "order.returned", structs.replace(fact, lines=tuple(sent)), reopened=reopened
    )


def _returned(doing: Doing, line: LineState, one: ReturnedLine, *, is_agreed: bool) -> ReturnedLine:
    terms, today, why = doing.terms(line), doing.stamp.today, one.why
    most = terms.cores(line) if why is ReturnReason.core else line.waiting(why)
    if one.packs > most:
        raise TooMany(one.line, one.packs, most)
    until = {
        ReturnReason.not_needed: terms.return_by(line),
        ReturnReason.core: terms.core_by(line),
    }
    if why in until and not is_agreed and not _in_time(until[why], today):
        raise NotTakenBack(one.line, until[why])
    parts: tuple[Part, ...] = ()
    if why is ReturnReason.not_needed:
        parts = split_last(line.holders, one.packs, most, lambda holder: holder.there)
        goods = _goods(doing, line, None)
        parts = unshelve(doing.records, doing.stamp, goods, one.packs, parts)
    return structs.replace(one, credit=_credit(line, terms, one), parts=parts)


def _credit(line: LineState, terms: LineTerms, one: ReturnedLine) -> Money:
    """Return what the supplier should credit for goods that go back."""
    if one.why is ReturnReason.core:
        nothing = Money(0, line.placed.net.currency)
        return (
            nothing if terms.core is None else Money(terms.core.minor * one.packs, nothing.currency)
        )
    share = Fraction(1)
    if one.why is ReturnReason.not_needed:
        share -= terms.restock_percent / 100
    packs = one.packs
    if one.why is ReturnReason.over:
        # what is over costs nothing until it is billed
        packs = min(packs, max(0, line.billed - line.received))
    exact = share * packs * line.placed.net.money.minor / line.placed.packs
    return Money(round_ratio(exact.numerator, exact.denominator), line.placed.net.currency)


def bill(doing: Doing, fact: Billed) -> Done:
    """Return an order with its supplier's bill.

    Raises: OrderNotNow, BillTwice, LineUnknown, LineTwice.
    """
    _check(doing, "bills")
    if fact.number in _bills(doing):
        raise BillTwice(fact.number)
    _lines(doing, fact.lines)
    return _record(doing, "order.billed", fact, {"net": fact.net.amount_text})


def take_bill_back(doing: Doing, number: str, reason: str) -> Done:
    """Return an order of which a recorded bill no longer counts.

    Raises: OrderNotNow, BillUnknown.
    """
    _check(doing, "bills")
    bills = _bills(doing)
    if number not in bills:
        raise BillUnknown(number, bills)
    fact = BillBack(number=number, reason=reason, lines=bills[number].lines)
    return _record(doing, "order.bill_back", fact, {"number": number})


def _bills(doing: Doing) -> Mapping[str, Billed]:
    """Return the bills of an order that count, by number."""
    entries = doing.records.order_entries.of_order(doing.order.number)
    return {one.number: one for one in standing_bills(map(fact_of, entries))}


def cancel(doing: Doing, fact: Cancelled) -> Done:
    """Return an order of which packs that have not arrived are cancelled: those of the quotes that
    come last first. If the fact names no lines, all of them are. Their needs are open again.

    A draft is cancelled as a whole: with fewer packs, it would have other terms.

    Raises: OrderNotNow, DraftIsWhole, LineUnknown, LineTwice, TooMany.
    """
    _check(doing, "cancel")
    wanted = fact.lines
    if wanted and doing.now.state is OrderState.draft:
        raise DraftIsWhole
    if not wanted:
        wanted = tuple(
            CancelledLine(line=line.line, packs=line.due) for line in doing.now.lines if line.due
        )
    lines = _lines(doing, wanted)
    gone = []
    for one in wanted:
        line = lines[one.line]
        if one.packs > line.due:
            raise TooMany(one.line, one.packs, line.due)
        gone.append(structs.replace(one, parts=_last(line, one.packs)))
    return _record(doing, "order.cancelled", structs.replace(fact, lines=tuple(gone)))


def _last(line: LineState, packs: int) -> tuple[Part, ...]:
    """Return whose packs are cancelled."""
    return split_last(line.holders, packs, line.due, lambda holder: holder.due)


def _goods(doing: Doing, line: LineState, shelf: str | None) -> Goods:
    terms = doing.terms(line)
    return Goods(
        order=doing.order,
        line=line,
        per_pack=terms.per_pack,
        quality=terms.quality,
        cost=terms.cost,
        currency=line.placed.net.currency,
        bin=shelf,
        who=doing.who,
    )


def check_order_act(act: str, state: OrderState) -> None:
    """Raise OrderNotNow if an order's state leaves no room for an act."""
    if state not in ORDER_ACTS[act]:
        raise OrderNotNow(act, state)


def _check(doing: Doing, act: str) -> None:
    check_order_act(act, doing.now.state)


def _lines(doing: Doing, named: Iterable[_Line]) -> Mapping[int, LineState]:
    """Return the lines of an order that are named, each once. Raises: LineUnknown, LineTwice."""
    found: dict[int, LineState] = {}
    for number in (one.line for one in named):
        if number in found:
            raise LineTwice(number)
        found[number] = _line(doing.now, number)
    return found


def _line(now: Progress, number: int) -> LineState:
    if not 1 <= number <= len(now.lines):
        raise LineUnknown(number, len(now.lines))
    return now.lines[number - 1]


def _record(
    doing: Doing,
    kind: EventKind,
    fact: Fact,
    facts: Facts = MappingProxyType({}),
    *,
    reopened: Iterable[int] = (),
) -> Done:
    """Add an entry to an order, and its event; return the order."""
    records, stamp, order = doing.records, doing.stamp, doing.order
    after = advance(doing.now, fact)
    records.order_entries.add(
        OrderEntry(
            order=order.number,
            number=0,
            kind=kind_of(fact),
            at=stamp.at,
            day=stamp.today,
            who=doing.who,
            hand=stamp.hand,
            by=stamp.by,
            body=msgspec.json.encode(fact),
        )
    )
    kept = structs.replace(order, version=order.version + 1, state=after.state)
    records.orders.put(kept)
    told = {"supplier": order.supplier, "state": after.state.value, "version": kept.version}
    add_event(records, stamp, kind, f"order:{order.number}", {**told, **facts})
    lost = {*reopened, *_lost(doing.now, after)}
    return Done(
        order=kept,
        before=doing.now,
        after=after,
        reopened=tuple(one for one in sorted(lost) if _reopen(doing, one)),
    )


def _lost(before: Progress, after: Progress) -> set[int]:
    """Return the quotes of which packs were cancelled."""
    return {
        now.quote
        for old, new in zip(before.lines, after.lines, strict=True)
        for then, now in zip(old.holders, new.holders, strict=True)
        if now.cancelled > then.cancelled
    }


def _reopen(doing: Doing, number: int) -> bool:
    """Note that parts of a quote are no longer ordered; return whether it may need them."""
    quote = doing.records.quotes.get(number)
    if quote is None or quote.agreed is None or quote.state not in _REOPENED:
        return False
    facts = {"order": doing.name}
    keep_change(doing.records, doing.stamp, "quote.reopened", quote, facts)
    return True


def doing_of(
    records: Records,
    stamp: Stamp,
    order: KeptOrder,
    *,
    name: str,
    terms: Terms,
    who: str = "",
) -> Doing:
    """Return an act on a stored order."""
    return Doing(
        records=records,
        stamp=stamp,
        order=order,
        name=name,
        now=progress_of(records, order),
        terms=terms,
        who=who,
    )
