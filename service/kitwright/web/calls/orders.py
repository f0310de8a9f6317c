"""Orders: calls that make and read the parts orders of agreed revisions."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date, datetime
from typing import Annotated

import msgspec
from msgspec import Meta, Struct

from kitwright.keeping import life
from kitwright.keeping.acts import ActRefused, check_act
from kitwright.keeping.event import add_event
from kitwright.keeping.key import Scope
from kitwright.keeping.record import KeptOrder, KeptQuote, OrderState, QuoteState, Stamp
from kitwright.keeping.reserving import reserve_missing
from kitwright.keeping.store import Records
from kitwright.quote import Count, Order
from kitwright.stages.ordering import NotOrderable, Surplus
from kitwright.telling import tell_order
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
from kitwright.web.calls.out import Out
from kitwright.web.calls.paged import page_reply, read_before
from kitwright.web.calls.placing import plan_placing
from kitwright.web.calls.quotes import quote_of
from kitwright.web.calls.records import ListOut
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Id, PageCursor, PageLimit, Wire


class OrderedRevisionIn(Wire, frozen=True, kw_only=True):
    """An agreed revision of a quote, whose parts are ordered."""

    quote: QuoteId
    revision: RevisionNumber


class OrdersIn(Wire, frozen=True, kw_only=True):
    """The agreed revisions whose parts are ordered."""

    revisions: Annotated[tuple[OrderedRevisionIn, ...], Meta(min_length=1, max_length=50)]


class KeptOrderOut(Out, frozen=True, kw_only=True):
    """A stored parts order; `covers` of each line says what the line is for."""

    id: OrderId
    state: OrderState
    quote: QuoteId
    revision: RevisionNumber
    made_at: datetime
    order: Order


class OrdersOut(Out, frozen=True, kw_only=True):
    """The orders made; none if stock covers everything, or if all were made before.

    `surplus` lists packs ordered for an earlier revision that are no longer needed. `late` lists
    lines promised after the day by which the quote needs them.
    """

    items: tuple[KeptOrderOut, ...]
    surplus: tuple[SurplusOut, ...]
    late: tuple[LateOut, ...]


class SurplusOut(Out, frozen=True, kw_only=True):
    """Packs ordered for an earlier revision that are no longer needed."""

    quote: QuoteId
    supplier: str
    sku: str
    packs: Count


class LateOut(Out, frozen=True, kw_only=True):
    """A line of an order that is promised after the day by which it is needed."""

    order: OrderId
    sku: str
    promised: date
    needed_by: date


class OrdersQuery(Wire, frozen=True, kw_only=True):
    """Which orders, newest first."""

    quote: Annotated[QuoteId | None, Meta(description="Orders of this quote, by id.")] = None
    supplier: Annotated[Id | None, Meta(description="Orders from this supplier, by id.")] = None
    limit: PageLimit = 50
    cursor: PageCursor = ""


class NotAgreed(ActRefused):
    """Parts can be ordered only for the agreed revision of a quote."""

    code = "not-agreed"

    def __init__(self, quote: KeptQuote, revision: int) -> None:
        agreed = "none is" if quote.agreed is None else f"revision {quote.agreed} is"
        super().__init__(f"revision {revision} is not the one agreed to: {agreed}")
        self.quote = quote.number
        self.revision = revision


class _Needed(Struct, frozen=True):
    """The members that are read from a revision's request."""

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

    Stores the parts orders that each revision still needs as drafts, one per supplier. Each line
    says what it is for. Nothing is ordered twice: packs ordered for an earlier revision count, also
    those of another supplier in at least the same quality. The rest is ordered in the fewest packs
    that the supplier sells. The first order asks for the quoted packs. Prices, price breaks, fees
    and freight are today's, for exactly this order. If the catalogue has changed, they differ from
    those of the revision; the customer's price does not change. A SKU that its supplier no longer
    offers is ordered at the revision's cost per pack. If the supplier itself is no longer in the
    catalogue, the call is refused (`supplier-gone`). Delivery dates count from now; after a
    supplier's cutoff, from its next working day.
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
        try:
            kept, spare = freeze(call.desk, records, call.stamp, quote)
        except NotOrderable as error:
            raise error.at("revisions", index, "revision") from None
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
    """Get a parts order.

    An order with its lines; each line says what it is for.
    """
    order = call.record(ORDER, records.orders.get)
    return Reply(body=order_out(order), tag=version_tag(ORDER, order))


def freeze(
    desk: Desk, records: Records, stamp: Stamp, quote: KeptQuote
) -> tuple[list[KeptOrder], list[SurplusOut]]:
    """Store and return the orders that an agreed revision still needs, and the packs ordered for
    earlier revisions that are no longer needed. Delivery dates count from the stamp's time.

    What is short and free again is reserved instead of ordered.

    Raises: NotNow, NotOrderable.
    """
    check_act("order", quote)
    placing = plan_placing(desk, records, quote, stamp.at)
    if placing.plan.orders and reserve_missing(records, stamp, quote, placing.ordered):
        placing = plan_placing(desk, records, quote, stamp.at)
    today = desk.today(stamp.at)
    made = []
    for order in placing.plan.orders:
        kept = records.orders.add(
            KeptOrder(
                number=0,
                version=1,
                state=OrderState.draft,
                quote=quote.number,
                revision=quote.agreed or 0,
                supplier=order.supplier.id,
                net=order.net,
                made_at=stamp.at,
                body=msgspec.json.encode(tell_order(order, today, placing.names.__getitem__)),
            )
        )
        add_event(
            records,
            stamp,
            "order.created",
            f"order:{kept.number}",
            {"quote": written(QUOTE, quote.number), "supplier": order.supplier.id},
        )
        made.append(kept)
    if made or quote.state is QuoteState.accepted:
        life.ordered(records, stamp, quote, len(made))
    return made, [_surplus_out(quote, one) for one in placing.plan.surplus]


def _surplus_out(quote: KeptQuote, surplus: Surplus) -> SurplusOut:
    return SurplusOut(
        quote=written(QUOTE, quote.number),
        supplier=surplus.supplier,
        sku=surplus.sku,
        packs=surplus.packs,
    )


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


def order_out(order: KeptOrder) -> KeptOrderOut:
    """Return an order's wire struct."""
    return KeptOrderOut(
        id=written(ORDER, order.number),
        state=order.state,
        quote=written(QUOTE, order.quote),
        revision=order.revision,
        made_at=order.made_at,
        order=msgspec.json.decode(order.body, type=Order),
    )
