"""Order history: what happened to an order, with what was not as agreed."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from fractions import Fraction
from typing import Any, Literal

from msgspec import Struct, structs

from kitwright.keeping.order_check import OrderDifference, check_bill, check_delivery
from kitwright.keeping.order_entry import Billed, Fact, Received, fact_of
from kitwright.keeping.order_progress import Progress, follow, placed_order
from kitwright.keeping.record import KeptOrder, OrderEntry
from kitwright.keeping.store import Records
from kitwright.money import Money
from kitwright.quote import Count, DecimalText
from kitwright.web.calls.call import Call
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.ids import ORDER, QUOTE, QuoteId, written
from kitwright.web.calls.shown import ListOut, Out
from kitwright.web.edge.reply import Reply


class EntryPartOut(Out, frozen=True, kw_only=True):
    """The packs of a line that were for one quote, and its `fraction` of a pack that several share,
    such as `2/5`; null: none.
    """

    quote: QuoteId
    packs: Count
    fraction: str | None


class EntryLineOut(Out, frozen=True, kw_only=True):
    """What an entry says of a line, in packs; what it does not say is null. `parts` say which
    quotes the packs were for.
    """

    line: Count
    packs: Count | None
    refused: Count | None
    over: Count | None
    keep: Count | None
    damaged: Count | None
    wrong: Count | None
    promised: date | None
    back_order: bool | None
    disputed: bool | None
    unit_cost: DecimalText | None
    why: str | None
    credit: Money | None
    parts: tuple[EntryPartOut, ...]


class EntryOut(Out, frozen=True, kw_only=True):
    """Something that happened to an order: who recorded it and when, and what it says. `reference`
    is the supplier's own number: of the order, the delivery note, the bill or the return. `day` is
    that of the delivery or the bill. `charges` and `net` are those of a bill. `differences` are
    what was not as agreed, by what the shop tolerates today.
    """

    entry: Count
    kind: Literal["sent", "answered", "received", "billed", "bill_back", "returned", "cancelled"]
    at: datetime
    by: str
    reference: str | None
    means: str | None
    reason: str | None
    day: date | None
    charges: Money | None
    net: Money | None
    lines: tuple[EntryLineOut, ...]
    differences: tuple[OrderDifference, ...]


@operation("GET /v1/orders/{id}/entries", "listOrderEntries", "orders")
def entries(records: Records, call: Call) -> Reply[ListOut[EntryOut]]:
    """List what happened to an order, oldest first: how it was sent, the supplier's answers,
    deliveries, bills and those taken back, returns and cancellations, each with what was not as
    agreed.
    """
    order = call.record(ORDER, records.orders.get)
    found = _entries(records, order, call.desk.price_tolerance)
    return Reply(body=ListOut(items=tuple(found)))


def _entries(records: Records, order: KeptOrder, tolerance: Fraction) -> Iterator[EntryOut]:
    placed, allocations = placed_order(order), records.allocations.of_order(order.number)
    facts: list[Fact] = []
    before = follow(placed, allocations, facts)
    for entry in records.order_entries.of_order(order.number):
        fact = fact_of(entry)
        facts.append(fact)
        after = follow(placed, allocations, facts)
        yield _entry(entry, fact, tuple(_differences(before, after, entry, fact, tolerance)))
        before = after


def _differences(
    before: Progress, after: Progress, entry: OrderEntry, fact: Fact, tolerance: Fraction
) -> Iterator[OrderDifference]:
    if isinstance(fact, Received):
        yield from check_delivery(before, after, fact, entry.day, tolerance)
    elif isinstance(fact, Billed):
        yield from check_bill(before, after, fact, tolerance)


def _entry(entry: OrderEntry, fact: Fact, differences: tuple[OrderDifference, ...]) -> EntryOut:
    said = structs.asdict(fact)
    return EntryOut(
        entry=entry.number,
        kind=entry.kind,  # type: ignore[arg-type]  # the tag of a fact
        at=entry.at,
        by=entry.who,
        reference=said.get("number"),
        means=said.get("means"),
        reason=said.get("reason") or said.get("agreed") or said.get("without_advance"),
        day=said.get("day"),
        charges=said.get("charges"),
        net=said.get("net"),
        lines=tuple(map(_line, said.get("lines", ()))),
        differences=differences,
    )


def _line(line: Struct) -> EntryLineOut:
    said: dict[str, Any] = structs.asdict(line)
    return EntryLineOut(
        line=said["line"],
        packs=said.get("packs"),
        refused=said.get("refused"),
        over=said.get("over"),
        keep=said.get("kept"),
        damaged=said.get("damaged"),
        wrong=said.get("wrong"),
        promised=said.get("promised"),
        back_order=said.get("is_back_order"),
        disputed=said.get("is_disputed"),
        unit_cost=said.get("unit_cost"),
        why=said.get("why"),
        credit=said.get("credit"),
        parts=tuple(
            EntryPartOut(quote=written(QUOTE, part.quote), packs=part.packs, fraction=part.fraction)
            for part in said.get("parts", ())
        ),
    )
