"""Order progress: the state of an order and of its lines, and what each quote has of them.

It is computed from the order as it was placed, its allocations and its entries. So an order always
agrees with what was received and returned.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import date
from fractions import Fraction
from types import MappingProxyType
from typing import Final

import msgspec
from msgspec import Struct, structs

from kitwright.keeping.order_entry import (
    Answered,
    AnsweredLine,
    BillBack,
    Billed,
    Cancelled,
    Fact,
    Part,
    Received,
    ReceivedLine,
    Returned,
    ReturnedLine,
    ReturnReason,
    Sent,
    SentBy,
    fact_of,
)
from kitwright.keeping.record import Allocation, KeptOrder, OrderState
from kitwright.keeping.store import Records
from kitwright.quote import AllottedLine, Cover, Order, OrderLine
from kitwright.units import mixed

_LINES: msgspec.json.Decoder[tuple[AllottedLine, ...]] = msgspec.json.Decoder(
    tuple[AllottedLine, ...]
)
_ORDER: msgspec.json.Decoder[Order] = msgspec.json.Decoder(Order)
_MOST: Final = 1_000_000
_NONE: Mapping[ReturnReason, int] = MappingProxyType({})


class Holder(Struct, frozen=True, kw_only=True):
    """What a quote has of a line, in packs, and the needs that they `cover`. Of a pack that several
    quotes share, each has a fraction. `amount` is what is reserved for it on the shelf because of
    this line, in millionths of the item's unit.
    """

    quote: int
    packs: Fraction
    quality: str | None = None
    covers: tuple[Cover, ...] = ()
    cancelled: Fraction = Fraction(0)
    received: Fraction = Fraction(0)
    returned: Fraction = Fraction(0)
    amount: int = 0

    @property
    def due(self) -> Fraction:
        """The packs still to come."""
        return self.packs - self.cancelled - self.received

    @property
    def there(self) -> Fraction:
        """The packs that came and did not go back."""
        return self.received - self.returned

    @property
    def kept(self) -> Fraction:
        """The packs that are there or to come."""
        return self.packs - self.cancelled - self.returned


class LineState(Struct, frozen=True, kw_only=True):
    """The state of a line, in packs. `back` are those that went back, by reason.

    `promised` is None if no day is promised. A pack holds `per_pack`, in millionths of the item's
    unit, 0 until some arrive. `days` are the days on which packs arrived, `kept`
    those of the packs over that the shop keeps. `credit` is what the supplier should credit for
    what went back, in minor units.
    """

    line: int
    supplier: str
    placed: OrderLine
    holders: tuple[Holder, ...]
    promised: date | None
    unit_cost: str
    cancelled: int = 0
    received: int = 0
    per_pack: int = 0
    over: int = 0
    kept: int = 0
    damaged: int = 0
    wrong: int = 0
    back: Mapping[ReturnReason, int] = _NONE
    billed: int = 0
    credit: int = 0
    is_back_order: bool = False
    is_disputed: bool = False
    is_answered: bool = False
    days: tuple[date, ...] = ()

    @property
    def due(self) -> int:
        """The packs still to come."""
        return self.placed.packs - self.cancelled - self.received

    @property
    def arrived(self) -> int:
        """All packs that came, whatever was in them."""
        return self.received + self.over + self.damaged + self.wrong

    @property
    def overbilled(self) -> int:
        """The packs that were billed, although they neither came nor are to come."""
        return max(0, self.billed - self.received - self.kept - self.due)

    def waiting(self, why: ReturnReason) -> int:
        """Return the packs that wait to go back for a reason that a delivery gave."""
        found = {
            ReturnReason.damaged: self.damaged,
            ReturnReason.wrong: self.wrong,
            ReturnReason.over: self.over - self.kept,
            ReturnReason.not_needed: self.received,
        }
        return found.get(why, 0) - self.back.get(why, 0)


class Progress(Struct, frozen=True, kw_only=True):
    """The state of an order. `number` is the supplier's own for it."""

    order: Order
    lines: tuple[LineState, ...]
    is_sent: bool = False
    sent_by: SentBy | None = None
    number: str | None = None

    @property
    def state(self) -> OrderState:
        """The state that follows from what happened."""
        arrived = any(line.received for line in self.lines)
        if not any(line.due for line in self.lines):
            return OrderState.received if arrived else OrderState.cancelled
        if arrived:
            return OrderState.part_received
        if not self.is_sent:
            return OrderState.draft
        is_confirmed = all(
            line.is_answered and not line.is_disputed for line in self.lines if line.due
        )
        return OrderState.confirmed if is_confirmed else OrderState.sent

    @property
    def due(self) -> int:
        """The packs still to come."""
        return sum(line.due for line in self.lines)


def placed_order(order: KeptOrder) -> Order:
    """Return an order as it was placed."""
    return _ORDER.decode(order.body)


def allotted(allocation: Allocation) -> tuple[AllottedLine, ...]:
    """Return what a revision has of each line of an order."""
    return _LINES.decode(allocation.lines)


def progress_of(records: Records, order: KeptOrder) -> Progress:
    """Return the state of a stored order."""
    return follow(
        placed_order(order),
        records.allocations.of_order(order.number),
        map(fact_of, records.order_entries.of_order(order.number)),
    )


def orders_of(records: Records, quote: int) -> tuple[KeptOrder, ...]:
    """Return all orders that are for a quote, newest first."""
    return records.orders.find(quote, None, None, _MOST)


def shares_of(records: Records, quote: int) -> Iterator[tuple[KeptOrder, Allocation]]:
    """Yield all orders that are for a quote, each with what one of its revisions has of it."""
    for order in orders_of(records, quote):
        for one in records.allocations.of_order(order.number):
            if one.quote == quote:
                yield order, one


def held_by(records: Records, quote: int) -> Iterator[tuple[LineState, Holder]]:
    """Yield the lines of all orders that are for a quote, with what it has of each."""
    for order in orders_of(records, quote):
        for line in progress_of(records, order).lines:
            yield from ((line, holder) for holder in line.holders if holder.quote == quote)


def arrived_for(records: Records, quote: int) -> Counter[str]:
    """Return what was reserved on the shelf for a quote as its orders arrived, by item."""
    found = Counter[str]()
    for line, holder in held_by(records, quote):
        found[line.placed.item] += holder.amount
    return found


def follow(order: Order, allocations: Iterable[Allocation], facts: Iterable[Fact]) -> Progress:
    """Return the state of an order after some facts."""
    holders = defaultdict[int, list[Holder]](list)
    for allocation in allocations:
        for line in allotted(allocation):
            holder = Holder(
                quote=allocation.quote,
                packs=line.share,
                quality=line.quality,
                covers=line.covers,
            )
            holders[line.line].append(holder)
    now = Progress(
        order=order,
        lines=tuple(
            LineState(
                line=place,
                supplier=order.supplier,
                placed=line,
                holders=tuple(holders[place]),
                promised=line.promised,
                unit_cost=line.unit_cost,
            )
            for place, line in enumerate(order.lines, start=1)
        ),
    )
    for fact in facts:
        now = advance(now, fact)
    return now


def advance(now: Progress, fact: Fact) -> Progress:
    """Return the state of an order after one more fact."""
    lines = {line.line: line for line in now.lines}
    number, sent_by = now.number, now.sent_by
    match fact:
        case Sent():
            number, sent_by = fact.number or number, fact.means
        case Answered():
            number = fact.number or number
            said = {one.line: one for one in fact.lines}
            for place, line in lines.items():
                lines[place] = _answered(line, said.get(place, AnsweredLine(line=place)))
        case Received():
            for arrived in fact.lines:
                lines[arrived.line] = _received(lines[arrived.line], arrived, fact.day)
        case Returned():
            for back in fact.lines:
                lines[back.line] = _returned(lines[back.line], back)
        case Billed() | BillBack():
            sign = 1 if isinstance(fact, Billed) else -1
            for billed in fact.lines:
                line = lines[billed.line]
                packs = line.billed + sign * billed.packs
                lines[billed.line] = structs.replace(line, billed=packs)
        case Cancelled():
            for gone in fact.lines:
                lines[gone.line] = _cancelled(lines[gone.line], gone.packs, gone.parts)
    return structs.replace(
        now,
        lines=tuple(lines.values()),
        is_sent=now.is_sent or isinstance(fact, Sent | Answered),
        sent_by=sent_by,
        number=number,
    )


def _answered(line: LineState, said: AnsweredLine) -> LineState:
    if not line.due:
        return line
    promised = None if said.is_open else said.promised or line.promised
    return structs.replace(
        _cancelled(line, said.refused, said.parts),
        promised=promised,
        unit_cost=said.unit_cost or line.unit_cost,
        is_back_order=said.is_back_order,
        is_disputed=said.is_disputed,
        is_answered=True,
    )


def _cancelled(line: LineState, packs: int, parts: Iterable[Part]) -> LineState:
    by_quote = {one.quote: one.share for one in parts}
    return structs.replace(
        line,
        cancelled=line.cancelled + packs,
        holders=tuple(
            structs.replace(one, cancelled=one.cancelled + by_quote.get(one.quote, 0))
            for one in line.holders
        ),
    )


def _received(line: LineState, arrived: ReceivedLine, day: date) -> LineState:
    by_quote = {one.quote: one for one in arrived.parts}

    def more(one: Holder) -> Holder:
        part = by_quote.get(one.quote)
        if part is None:
            return one
        received, amount = one.received + part.share, one.amount + part.amount
        return structs.replace(one, received=received, amount=amount)

    return structs.replace(
        line,
        received=line.received + arrived.packs,
        per_pack=arrived.per_pack,
        over=line.over + arrived.over,
        kept=line.kept + arrived.kept,
        damaged=line.damaged + arrived.damaged,
        wrong=line.wrong + arrived.wrong,
        holders=tuple(map(more, line.holders)),
        days=(*line.days, day),
    )


def _returned(line: LineState, back: ReturnedLine) -> LineState:
    by_quote = {one.quote: one for one in back.parts}

    def less(one: Holder) -> Holder:
        part = by_quote.get(one.quote)
        if part is None:
            return one
        returned, amount = one.returned + part.share, one.amount - part.amount
        return structs.replace(one, returned=returned, amount=amount)

    gone = {**line.back, back.why: line.back.get(back.why, 0) + back.packs}
    return structs.replace(
        line,
        back=gone,
        credit=line.credit + back.credit.minor,
        holders=tuple(map(less, line.holders)),
    )


def split(
    holders: Iterable[Holder], packs: Fraction | int, most: Callable[[Holder], Fraction]
) -> tuple[Part, ...]:
    """Return which quotes some packs are for: the first ones first, each up to `most` of it."""
    left, parts = Fraction(packs), []
    for holder in holders:
        own = min(left, most(holder))
        if own > 0:
            whole, fraction = mixed(own)
            parts.append(Part(quote=holder.quote, packs=whole, fraction=fraction))
            left -= own
    return tuple(parts)


def split_last(
    holders: Sequence[Holder], packs: int, of: int, most: Callable[[Holder], Fraction]
) -> tuple[Part, ...]:
    """Return which quotes lose some of `of` packs: first goes what no quote has of them, then what
    the last ones have, each up to `most` of it.
    """
    nobody = of - sum(map(most, holders))
    return split(holders[::-1], packs - nobody, most)
