"""Orders: the parts orders of an agreed revision, as they were quoted and promised as of today."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from datetime import date, datetime
from decimal import Decimal
from typing import Annotated, Final

import msgspec
from msgspec import Meta, Struct, structs

from kitwright.keeping import life
from kitwright.keeping.acts import ActRefused, check_act
from kitwright.keeping.event import add_event
from kitwright.keeping.key import Scope
from kitwright.keeping.record import KeptOrder, KeptQuote, OrderState, QuoteState, Stamp
from kitwright.keeping.store import Records
from kitwright.money import Money
from kitwright.web.calls.call import Call, version_tag
from kitwright.web.calls.declared import operation
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.ids import (
    ORDER,
    QUOTE,
    OrderId,
    QuoteId,
    RevisionNumber,
    read_id,
    read_id_or_none,
    written,
)
from kitwright.web.calls.out import Count, MoneyOut, OrderLineOut, OrderOut, Out, money
from kitwright.web.calls.paged import page_reply, read_before
from kitwright.web.calls.promise import promised_now
from kitwright.web.calls.quotes import quote_of
from kitwright.web.calls.records import ListOut
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Id, PageCursor, PageLimit, Wire

_MOST: Final = 1_000_000


class OrderedRevisionIn(Wire, frozen=True, kw_only=True):
    """An agreed revision of a quote, whose parts are ordered."""

    quote: QuoteId
    revision: RevisionNumber


class OrdersIn(Wire, frozen=True, kw_only=True):
    """The agreed revisions whose parts are ordered."""

    revisions: Annotated[tuple[OrderedRevisionIn, ...], Meta(min_length=1, max_length=50)]


class KeptOrderOut(Out, frozen=True, kw_only=True):
    """A parts order as it is kept; what each line is for stands in `covers`."""

    id: OrderId
    state: OrderState
    quote: QuoteId
    revision: RevisionNumber
    made_at: datetime
    order: OrderOut


class OrdersOut(Out, frozen=True, kw_only=True):
    """The orders that were made; none where stock covers everything, or all were made before.

    `surplus` names what was ordered for an earlier revision and is needed no more, `late` what
    will come after the day by which the quote needed it.
    """

    items: tuple[KeptOrderOut, ...]
    surplus: tuple[SurplusOut, ...]
    late: tuple[LateOut, ...]


class SurplusOut(Out, frozen=True, kw_only=True):
    """Packs that were ordered for an earlier revision and are needed no more."""

    quote: QuoteId
    supplier: str
    sku: str
    packs: Count


class LateOut(Out, frozen=True, kw_only=True):
    """A line of an order that is promised for a day after the one by which it is needed."""

    order: OrderId
    sku: str
    promised: date
    needed_by: date


class OrdersQuery(Wire, frozen=True, kw_only=True):
    """Which orders, newest first."""

    quote: Annotated[QuoteId | None, Meta(description="Of which quote, by id.")] = None
    supplier: Annotated[Id | None, Meta(description="From which supplier, by id.")] = None
    limit: PageLimit = 50
    cursor: PageCursor = ""


class NotAgreed(ActRefused):
    """Parts are ordered for the agreed revision of a quote only."""

    code = "not-agreed"

    def __init__(self, quote: KeptQuote, revision: int) -> None:
        agreed = "none is" if quote.agreed is None else f"revision {quote.agreed} is"
        super().__init__(f"revision {revision} is not the one agreed to: {agreed}")
        self.quote = quote.number
        self.revision = revision


class _Planned(Struct, frozen=True):
    """What is read of a revision's answer."""

    orders: tuple[OrderOut, ...]


class _Needed(Struct, frozen=True):
    """What is read of a revision's request."""

    needed_by: date | None = None


@operation(
    "POST /v1/orders",
    "createOrders",
    "orders",
    scope=Scope.ORDER,
    is_once=True,
    status=201,
    problems=("unknown-record", "act-refused"),
)
def create(records: Records, call: Call, body: OrdersIn) -> Reply[OrdersOut]:
    """Order the parts of agreed revisions.

    Freezes the parts orders of each revision as drafts, one a supplier, with what each line is for.
    Nothing is ordered twice: what an earlier revision ordered is taken off. Promises are reckoned
    anew, from this moment: after a supplier's cutoff, from its next working day.
    """
    made: list[KeptOrderOut] = []
    surplus: list[SurplusOut] = []
    late: list[LateOut] = []
    for index, one in enumerate(body.revisions):
        quote = quote_of(records, read_id(QUOTE, one.quote))
        if quote.agreed != one.revision:
            error = NotAgreed(quote, one.revision)
            error.at("revisions", index, "revision")
            raise error
        kept, spare = freeze(call.desk, records, call.stamp, quote)
        orders = [order_out(each) for each in kept]
        made += orders
        surplus += spare
        late += _late(records, quote, orders)
    return Reply(body=OrdersOut(items=tuple(made), surplus=tuple(surplus), late=tuple(late)))


@operation("GET /v1/orders", "listOrders", "orders", problems=("unknown-record",))
def find(records: Records, call: Call, query: OrdersQuery) -> Reply[ListOut[KeptOrderOut]]:
    """Find parts orders.

    Orders, newest first, by quote and supplier.
    """
    found = records.orders.find(
        read_id_or_none(QUOTE, query.quote),
        query.supplier,
        read_before("orders", query.cursor),
        query.limit + 1,
    )
    return page_reply(
        call.operation.path, "orders", query, [(one.number, order_out(one)) for one in found]
    )


@operation("GET /v1/orders/{id}", "getOrder", "orders", is_tagged=True)
def get(records: Records, call: Call) -> Reply[KeptOrderOut]:
    """One parts order.

    An order with its lines and what each is for.
    """
    order = call.record(ORDER, records.orders.get)
    return Reply(body=order_out(order), tag=version_tag(ORDER, order))


def freeze(
    desk: Desk, records: Records, stamp: Stamp, quote: KeptQuote
) -> tuple[list[KeptOrder], list[SurplusOut]]:
    """Return the orders that an agreed revision still needs, once they are kept, and what was
    ordered for earlier ones and is needed no more. Promises count from the stamp's moment.

    Raises: NotNow.
    """
    check_act("order", quote)
    wanted, surplus = _still_needed(records, quote)
    made = []
    for planned in wanted:
        order = promised_now(desk, planned, stamp.at)
        kept = records.orders.add(
            KeptOrder(
                number=0,
                version=1,
                state=OrderState.draft,
                quote=quote.number,
                revision=quote.agreed or 0,
                supplier=order.supplier,
                net=_amount(order.net),
                made_at=stamp.at,
                body=msgspec.json.encode(order),
            )
        )
        add_event(
            records,
            stamp,
            "order.created",
            f"order:{kept.number}",
            {"quote": written(QUOTE, quote.number), "supplier": order.supplier},
        )
        made.append(kept)
    if made or quote.state is QuoteState.accepted:
        life.ordered(records, stamp, quote, len(made))
    return made, surplus


def _late(records: Records, quote: KeptQuote, orders: Iterable[KeptOrderOut]) -> Iterator[LateOut]:
    revision = life.revision_of(records, quote, quote.agreed or 0)
    needed_by = msgspec.json.decode(revision.request, type=_Needed).needed_by
    if needed_by is None:
        return
    for one in orders:
        for line in one.order.lines:
            if line.promised > needed_by:
                yield LateOut(
                    order=one.id, sku=line.sku, promised=line.promised, needed_by=needed_by
                )


def unordered(records: Records, quote: KeptQuote) -> int:
    """Return how many orders the agreed revision of a quote still needs."""
    return 0 if quote.agreed is None else len(_still_needed(records, quote)[0])


def _still_needed(
    records: Records, quote: KeptQuote
) -> tuple[tuple[OrderOut, ...], list[SurplusOut]]:
    revision = life.revision_of(records, quote, quote.agreed or 0)
    planned = msgspec.json.decode(revision.answer, type=_Planned).orders
    before = [
        msgspec.json.decode(order.body, type=OrderOut)
        for order in records.orders.find(quote.number, None, None, _MOST)
    ]
    if not before:
        return planned, []
    packs = Counter[tuple[str, str]]()
    freight = Counter[str]()
    for order in before:
        freight[order.supplier] += _amount(order.freight).minor
        for line in order.lines:
            packs[order.supplier, line.sku] += line.packs
    wanted = []
    for order in planned:
        reduced = _without(order, packs, freight[order.supplier])
        if reduced.lines:
            wanted.append(reduced)
    surplus = [
        SurplusOut(quote=written(QUOTE, quote.number), supplier=supplier, sku=sku, packs=spare)
        for (supplier, sku), spare in packs.items()
        if spare > 0
    ]
    return tuple(wanted), surplus


def _without(order: OrderOut, packs: Counter[tuple[str, str]], freight: int) -> OrderOut:
    """Return an order less what is ordered already, which is used up; of the freight, what is not
    yet charged.
    """
    currency = order.net.currency
    lines = []
    for line in order.lines:
        key = (order.supplier, line.sku)
        taken = min(line.packs, packs[key])
        packs[key] -= taken
        if line.packs > taken:
            lines.append(_fewer(line, line.packs - taken))
    if len(lines) == len(order.lines) and lines == list(order.lines):
        return order
    goods = sum((_amount(line.net).minor for line in lines), 0)
    still = max(0, _amount(order.freight).minor - freight)
    fees = sum((_amount(fee.amount).minor for fee in order.fees), 0)
    return structs.replace(
        order,
        lines=tuple(lines),
        goods=money(Money(goods, currency)),
        freight=money(Money(still, currency)),
        net=money(Money(goods + still + fees, currency)),
        promised=max((line.promised for line in lines), default=order.promised),
    )


def _fewer(line: OrderLineOut, packs: int) -> OrderLineOut:
    net = Money.of(Decimal(line.unit_cost) * packs, line.net.currency)
    return line if packs == line.packs else structs.replace(line, packs=packs, net=money(net))


def _amount(out: MoneyOut) -> Money:
    return Money.of(Decimal(out.amount), out.currency)


def order_out(order: KeptOrder) -> KeptOrderOut:
    """Return an order on the wire."""
    return KeptOrderOut(
        id=written(ORDER, order.number),
        state=order.state,
        quote=written(QUOTE, order.quote),
        revision=order.revision,
        made_at=order.made_at,
        order=msgspec.json.decode(order.body, type=OrderOut),
    )
