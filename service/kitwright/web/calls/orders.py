"""Orders: calls that make and read the parts orders of agreed revisions."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date
from typing import Annotated, Literal

from msgspec import Meta

from kitwright.errors import KitwrightError
from kitwright.keeping.acts import ActRefused
from kitwright.keeping.key import Scope
from kitwright.keeping.record import KeptQuote, OrderState
from kitwright.keeping.store import Records
from kitwright.stages.ordering import NotOrderable, Surplus
from kitwright.web.calls.call import Call, answer, quote_of
from kitwright.web.calls.handlers import Work, operation
from kitwright.web.calls.ids import (
    ORDER,
    QUOTE,
    OrderId,
    QuoteId,
    RevisionNumber,
    read_id_or_none,
    written,
)
from kitwright.web.calls.order_costs import OrderCostOut, costs_of
from kitwright.web.calls.order_fill import FillOut, fills_of
from kitwright.web.calls.order_making import (
    Made,
    Need,
    Purchase,
    place,
    plan_purchase,
    reserve_and_plan,
)
from kitwright.web.calls.order_shown import OrderOut, order_out
from kitwright.web.calls.order_slips import slip_to
from kitwright.web.calls.paged import page_of
from kitwright.web.calls.shown import ListOut, Out, extended
from kitwright.web.calls.slips import tell_at_once
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Id, PageCursor, PageLimit, Wire


class OrderedRevisionIn(Wire, frozen=True, kw_only=True):
    """An agreed revision of a quote, whose parts are ordered."""

    quote: QuoteId
    revision: RevisionNumber


class OrdersIn(Wire, frozen=True, kw_only=True):
    """The agreed revisions whose parts are ordered together."""

    revisions: Annotated[tuple[OrderedRevisionIn, ...], Meta(min_length=1, max_length=500)]


class OrdersOut(Out, frozen=True, kw_only=True):
    """The orders made; none if stock covers everything, or if all were made before.

    `surplus` lists packs ordered for an earlier revision that are no longer needed. `late` lists
    lines promised after the day by which a quote needs them. `costs` say what the orders of each
    quote cost now, and what that leaves of what the customer agreed to. `fills` propose goods with
    which an order's freight is free.
    """

    items: tuple[OrderOut, ...]
    surplus: tuple[SurplusOut, ...]
    late: tuple[LateOut, ...]
    costs: tuple[OrderCostOut, ...]
    fills: tuple[FillOut, ...]


class SurplusOut(Surplus, frozen=True, kw_only=True):
    """Packs ordered for an earlier revision that are no longer needed."""

    quote: QuoteId


class LateOut(Out, frozen=True, kw_only=True):
    """A line of an order that is promised after the day by which a quote needs it."""

    order: OrderId
    quote: QuoteId
    sku: str
    promised: date
    needed_by: date


class OrdersQuery(Wire, frozen=True, kw_only=True):
    """Which orders, newest first."""

    quote: Annotated[QuoteId | None, Meta(description="Orders for this quote, by id.")] = None
    supplier: Annotated[Id | None, Meta(description="Orders from this supplier, by id.")] = None
    state: Annotated[
        Literal["draft", "sent", "confirmed", "part_received", "received", "cancelled"] | None,
        Meta(description="Orders in this state."),
    ] = None
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


@operation(
    "POST /v1/orders",
    "createOrders",
    "orders",
    "unknown-record",
    "act-refused",
    scope=Scope.ORDER,
    status=201,
)
async def create(call: Call, body: OrdersIn) -> Work[OrdersOut]:
    """Order the parts of agreed revisions.

    Stores what the revisions still need as drafts of orders, one for each supplier, for all of
    them together. Each line says what it is for, and `allocations` what each quote has of the
    order. Price breaks count for all packs of a line. Fees and freight are shared by the shop's
    rule, to the minor unit. Nothing is ordered twice: packs ordered for an earlier revision count,
    also those of another supplier in at least the same quality. The rest is ordered in the fewest
    packs that the supplier sells. The first order of one quote asks for its quoted packs. Several
    quotes, and what one quote needs after its first orders, are bought at least landed cost: an
    item may come from another supplier than quoted, in at least the same quality, if all goods,
    fees and freight then cost less, and if no quote waits longer than it would alone. Prices,
    price breaks, fees and freight are today's, for exactly these orders. If the catalogue has
    changed, they differ from those of the revision; the customer's price does not change. A SKU
    that its supplier no longer offers is ordered at the revision's cost per pack. If the supplier
    itself is no longer in the catalogue, the call is refused (`supplier-gone`). Parts for which an
    advance is asked are drafted, and sent once it is recorded. If one revision is refused, nothing
    is ordered. Delivery dates count from now; after a supplier's cutoff, from its next working day.
    """
    desk = call.desk
    quotes = dict.fromkeys(read_id_or_none(QUOTE, one.quote) or 0 for one in body.revisions)
    purchase = await plan_purchase(desk, [*quotes])
    return lambda records: _made(records, call, body, purchase)


def _made(
    records: Records, call: Call, body: OrdersIn, purchase: Purchase | None
) -> Reply[OrdersOut]:
    desk = call.desk
    needs: dict[int, Need] = {}
    for index, one in enumerate(body.revisions):
        quote = quote_of(records, one.quote)
        if quote.agreed != one.revision:
            raise NotAgreed(quote, one.revision).at("revisions", index, "revision")
        if quote.number in needs:
            continue
        try:
            needs[quote.number] = reserve_and_plan(desk, records, call.stamp, quote)
        except NotOrderable as error:
            refusal: KitwrightError = error
            raise refusal.at("revisions", index, "revision") from None
    asked = tuple(needs.values())
    made = place(desk, records, call.stamp, asked, purchase)
    for asker, need in enumerate(asked):
        own = [one.order for one in made if asker in (own.asker for own in one.joint.allotments)]
        slip_to(records, call.stamp, need.quote, own)
        if own and desk.service.workshop.shop.purchasing.tells_slips:
            tell_at_once(desk, records, call.stamp, need.quote)
    return Reply(
        body=OrdersOut(
            items=tuple(order_out(desk, records, one.order) for one in made),
            surplus=tuple(
                extended(SurplusOut, one, quote=written(QUOTE, need.quote.number))
                for need in asked
                for one in need.follow_up.surplus
            ),
            late=tuple(_late(made, asked)),
            costs=tuple(costs_of(records, made, asked, desk.price_tolerance)),
            fills=tuple(fills_of(desk, records, made)),
        )
    )


@operation("GET /v1/orders", "listOrders", "orders", "unknown-record")
def find(records: Records, call: Call, query: OrdersQuery) -> Reply[ListOut[OrderOut]]:
    """Find parts orders by quote, supplier and state, newest first."""
    quote = read_id_or_none(QUOTE, query.quote)
    state = None if query.state is None else OrderState(query.state)

    def orders(before: int | None, most: int) -> list[OrderOut]:
        found = records.orders.find(quote, query.supplier, before, most, state)
        return [order_out(call.desk, records, one) for one in found]

    return page_of(call.operation.path, query, orders)


@operation("GET /v1/orders/{id}", "getOrder", "orders")
def get(records: Records, call: Call) -> Reply[OrderOut]:
    """Get a parts order; each of its lines says what it is for."""
    order = order_out(call.desk, records, call.record(ORDER, records.orders.get))
    return answer(call.desk, order)


def _late(made: Iterable[Made], needs: tuple[Need, ...]) -> Iterator[LateOut]:
    for one in made:
        for allotment in one.joint.allotments:
            need = needs[allotment.asker]
            for portion in allotment.portions:
                line = one.joint.order.lines[portion.line - 1]
                if need.needed_by is not None and line.promised > need.needed_by:
                    yield LateOut(
                        order=written(ORDER, one.order.number),
                        quote=written(QUOTE, need.quote.number),
                        sku=line.source.sku,
                        promised=line.promised,
                        needed_by=need.needed_by,
                    )
