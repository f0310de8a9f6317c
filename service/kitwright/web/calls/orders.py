"""Orders: calls that make and read the parts orders of agreed revisions."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import date, datetime
from typing import Annotated, Final, NamedTuple

import msgspec
from msgspec import Meta

from kitwright.keeping import life
from kitwright.keeping.acts import ActRefused, check_act
from kitwright.keeping.event import add_event
from kitwright.keeping.key import Scope
from kitwright.keeping.record import KeptOrder, KeptQuote, OrderState, QuoteState, Stamp
from kitwright.keeping.reserving import reserve_missing, shortages
from kitwright.keeping.store import Records
from kitwright.quote import Order, read_quote
from kitwright.stages.ordering import (
    FollowUp,
    NotOrderable,
    Surplus,
    buy_missing,
    joined,
    plan_follow_up,
)
from kitwright.stages.supply import day_of_order
from kitwright.telling import tell_order
from kitwright.web.calls.call import Call, answer, quote_of
from kitwright.web.calls.desk import Desk
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.ids import (
    ORDER,
    QUOTE,
    OrderId,
    QuoteId,
    RevisionNumber,
    read_id_or_none,
    written,
)
from kitwright.web.calls.paged import page_of
from kitwright.web.calls.placing import items_in, missing_of, packs_of
from kitwright.web.calls.reckoning import asked_of
from kitwright.web.calls.shown import ListOut, Out, extended
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import Id, PageCursor, PageLimit, Wire


class OrderedRevisionIn(Wire, frozen=True, kw_only=True):
    """An agreed revision of a quote, whose parts are ordered."""

    quote: QuoteId
    revision: RevisionNumber


class OrdersIn(Wire, frozen=True, kw_only=True):
    """The agreed revisions whose parts are ordered."""

    revisions: Annotated[tuple[OrderedRevisionIn, ...], Meta(min_length=1, max_length=50)]


class OrdersOut(Out, frozen=True, kw_only=True):
    """The orders made; none if stock covers everything, or if all were made before.

    `surplus` lists packs ordered for an earlier revision that are no longer needed. `late` lists
    lines promised after the day by which the quote needs them.
    """

    items: tuple[KeptOrder, ...]
    surplus: tuple[SurplusOut, ...]
    late: tuple[LateOut, ...]


class SurplusOut(Surplus, frozen=True, kw_only=True):
    """Packs ordered for an earlier revision that are no longer needed."""

    quote: QuoteId


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


_MOST: Final = 1_000_000


@operation(
    "POST /v1/orders",
    "createOrders",
    "orders",
    "unknown-record",
    "act-refused",
    scope=Scope.ORDER,
    status=201,
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
    made: list[KeptOrder] = []
    surplus: list[SurplusOut] = []
    late: list[LateOut] = []
    for index, one in enumerate(body.revisions):
        quote = quote_of(records, one.quote)
        if quote.agreed != one.revision:
            raise NotAgreed(quote, one.revision).at("revisions", index, "revision")
        try:
            kept, spare = _freeze(call.desk, records, call.stamp, quote)
        except NotOrderable as error:
            raise error.at("revisions", index, "revision") from None
        made += kept
        surplus += spare
        late += _late(records, quote, kept)
    return Reply(body=OrdersOut(items=tuple(made), surplus=tuple(surplus), late=tuple(late)))


@operation("GET /v1/orders", "listOrders", "orders", "unknown-record")
def find(records: Records, call: Call, query: OrdersQuery) -> Reply[ListOut[KeptOrder]]:
    """Find parts orders by quote and supplier, newest first."""
    quote = read_id_or_none(QUOTE, query.quote)
    return page_of(
        call.operation.path,
        query,
        lambda before, most: records.orders.find(quote, query.supplier, before, most),
    )


@operation("GET /v1/orders/{id}", "getOrder", "orders")
def get(records: Records, call: Call) -> Reply[KeptOrder]:
    """Get a parts order; each of its lines says what it is for."""
    return answer(call.desk, call.record(ORDER, records.orders.get))


def unordered(desk: Desk, records: Records, quote: KeptQuote, now: datetime) -> int:
    """Return how many orders the agreed revision of a quote still needs. Raises: NotOrderable."""
    if quote.agreed is None:
        return 0
    return len(_plan(desk, records, quote, now).follow_up.orders)


def _freeze(
    desk: Desk, records: Records, stamp: Stamp, quote: KeptQuote
) -> tuple[list[KeptOrder], list[SurplusOut]]:
    """Store and return the orders that an agreed revision still needs, and the packs ordered for
    earlier revisions that are no longer needed. Delivery dates count from the stamp's time.
    What is short and free again is reserved instead of ordered.

    Raises: NotNow, NotOrderable.
    """
    check_act("order", quote)
    plan, names, ordered = _plan(desk, records, quote, stamp.at)
    if plan.orders and reserve_missing(records, stamp, quote, ordered):
        plan, names, _ = _plan(desk, records, quote, stamp.at)
    today = desk.today(stamp.at)
    made = []
    for order in plan.orders:
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
                body=msgspec.json.encode(tell_order(order, today, names.__getitem__)),
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
    name = written(QUOTE, quote.number)
    return made, [extended(SurplusOut, one, quote=name) for one in plan.surplus]


def _late(records: Records, quote: KeptQuote, orders: Iterable[KeptOrder]) -> Iterator[LateOut]:
    revision = life.revision_of(records, quote, quote.agreed or 0)
    needed_by = asked_of(revision).needed_by
    if needed_by is None:
        return
    for kept in orders:
        for line in msgspec.json.decode(kept.body, type=Order).lines:
            if line.promised > needed_by:
                yield LateOut(
                    order=written(ORDER, kept.number),
                    sku=line.sku,
                    promised=line.promised,
                    needed_by=needed_by,
                )


class _Plan(NamedTuple):
    """The orders that a quote still needs, its items' names in its language, and the items that
    were ordered for it before.
    """

    follow_up: FollowUp
    names: Mapping[str, str]
    ordered: frozenset[str]


def _plan(desk: Desk, records: Records, quote: KeptQuote, now: datetime) -> _Plan:
    """Return the orders that the agreed revision of a quote still needs, if placed now. What it
    takes from stock and does not have of the shelf is bought.

    Raises: NoSuchRevision if none is agreed; NotOrderable.
    """
    workshop = desk.service.workshop
    revision = life.revision_of(records, quote, quote.agreed or 0)
    agreed = read_quote(revision.answer)
    short = buy_missing(
        workshop.market,
        missing_of(agreed.kit, shortages(records, quote)),
        on=desk.today(now),
        needed_by=asked_of(revision).needed_by,
    )
    placed = [
        packs
        for kept in records.orders.find(quote.number, None, None, _MOST)
        for packs in packs_of(msgspec.json.decode(kept.body, type=Order))
    ]
    plan = plan_follow_up(
        workshop.catalogue,
        workshop.shop,
        workshop.supply,
        joined([*(packs for order in agreed.orders for packs in packs_of(order)), *short]),
        placed,
        {
            supplier.id: day_of_order(supplier, desk.clock(now, supplier.time_zone))
            for supplier in workshop.catalogue.suppliers.values()
        },
    )
    speaker = desk.service.speaker(agreed.language)
    names: dict[str, str] = {packs.item: speaker.item(packs.item) for packs in short}
    names |= {line.item: line.name for order in agreed.orders for line in order.lines}
    return _Plan(plan, names, items_in(placed))
