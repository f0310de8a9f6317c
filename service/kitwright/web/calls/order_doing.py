"""Order doing: calls that send an order, and record answers, deliveries, bills, returns and
cancellations.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

import msgspec
from litestar.handlers import HTTPRouteHandler
from msgspec import structs

from kitwright.documents.papers import MadeOrder
from kitwright.documents.ubl_answer import AnswerUnreadable
from kitwright.keeping import order_acts
from kitwright.keeping.acts import ActRefused
from kitwright.keeping.key import Scope
from kitwright.keeping.mail import check_address, queue_order_mail
from kitwright.keeping.order_acts import Doing, Done, doing_of
from kitwright.keeping.order_check import OrderDifference, check_bill, check_delivery
from kitwright.keeping.order_entry import (
    Answered,
    AnsweredLine,
    Billed,
    BilledLine,
    Cancelled,
    CancelledLine,
    Received,
    ReceivedLine,
    Returned,
    ReturnedLine,
    ReturnReason,
    Sent,
    SentBy,
)
from kitwright.keeping.order_progress import placed_order
from kitwright.keeping.record import KeptOrder, Mail
from kitwright.keeping.store import Records
from kitwright.money import Money
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.stages.supply import arrival
from kitwright.web.calls.advance_owed import AdvanceMissing, advances_owed
from kitwright.web.calls.call import Call, answer
from kitwright.web.calls.desk import Desk, OrderLetter
from kitwright.web.calls.handlers import Work, operation
from kitwright.web.calls.ids import ORDER, QUOTE, written
from kitwright.web.calls.order_faults import (
    check_arrived,
    check_bill_day,
    check_costs,
    check_promises,
    read_billed,
)
from kitwright.web.calls.order_paper import made_order, supplier_of
from kitwright.web.calls.order_reply import fact_of_answer
from kitwright.web.calls.order_shown import members_of, terms_of
from kitwright.web.calls.order_slips import proposals_of, slips_of
from kitwright.web.calls.order_wire import (
    BillBackIn,
    BillIn,
    CancelOrderIn,
    ConfirmOrderIn,
    OrderDoneOut,
    ReceiptIn,
    ReturnIn,
    SendOrderIn,
)
from kitwright.web.calls.shown import ListOut, extended
from kitwright.web.calls.slips import tell_at_once
from kitwright.web.edge.negotiate import XML
from kitwright.web.edge.problems import Refusal
from kitwright.web.edge.reply import Reply


class NoOrderAddress(ActRefused):
    """The supplier's file has no e-mail address, and none was given."""

    code = "no-order-address"

    def __init__(self, supplier: str) -> None:
        super().__init__(
            f"no e-mail address is known for supplier {supplier}: give one in `to`, or in the "
            "`contact` of its file"
        )
        self.supplier = supplier


class AnswerNotRead(RequestFault):
    """A supplier's document that is not an order response to this order, or not safe to read."""

    code = "answer-not-read"

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


def _act(
    path: str, name: str, *problems: str, **facts: Any
) -> Callable[[Callable[..., Any]], HTTPRouteHandler]:
    return operation(
        f"POST /v1/orders/{{id}}/{path}",
        name,
        "orders",
        "act-refused",
        *problems,
        scope=Scope.ORDER,
        is_guarded=True,
        is_tagged=True,
        **facts,
    )


@_act("send", "sendOrder", "too-busy")
async def send(call: Call, body: SendOrderIn) -> Work[OrderDoneOut]:
    """Send an order to its supplier.

    By e-mail, with the order as PDF, CSV and UBL in the supplier's language: it is queued, sent in
    the background and retried for two days; the order's messages show its state. Or records that
    it was entered in the supplier's portal or told by telephone, with the supplier's own number.
    Days promised count from now. While an advance is asked for parts of the order and not recorded,
    it is refused (`advance-missing`), unless `without_advance` says why it goes out all the same.
    """
    desk, stamp = call.desk, call.stamp
    means = SentBy(body.means)

    def found(records: Records) -> tuple[KeptOrder, MadeOrder, str]:
        order_acts.check_order_act("send", call.checked(ORDER, records.orders.get).state)
        order = _redated(desk, call.checked(ORDER, records.orders.get), stamp.at)
        if body.without_advance is None and (owed := advances_owed(desk, records, order)):
            raise AdvanceMissing(owed)
        made, language = made_order(desk, records, order)
        return order, structs.replace(made, at=desk.clock(stamp.at)), language

    order, made, language = desk.store.read(found)
    letter = None
    if means is SentBy.email:
        letter = OrderLetter(
            made=made,
            shop=desk.service.workshop.shop,
            language=language,
            to=check_address(body.to or _address(desk, order)),
            note=body.note,
            at=stamp.at,
            nonce=desk.nonce(),
            files=await desk.documents.run(desk.papers.order_files, made, language),
        )
    composed = None if letter is None else await desk.documents.run(desk.compose, letter)

    def work(records: Records) -> Reply[OrderDoneOut]:
        if found(records)[0] != order:
            raise Refusal("record-changed", "the record was changed since it was read")
        doing = _doing(call, records, order, body.by)
        done = order_acts.send(
            doing, Sent(means=means, number=body.reference, without_advance=body.without_advance)
        )
        if letter is not None and composed is not None:
            queue_order_mail(
                records,
                stamp,
                order=order.number,
                to=letter.to,
                message_id=composed.message_id,
                body=composed.body,
            )
        return _told(call, records, done)

    return work


@_act("confirm", "confirmOrder", "request-refused", takes=ConfirmOrderIn, media=(XML,))
def confirm(records: Records, call: Call, body: ConfirmOrderIn | None) -> Reply[OrderDoneOut]:
    """Record the supplier's answer.

    As it was told, or as a UBL 2.1 OrderResponse (`application/xml`). Lines that the answer does
    not name are accepted as ordered. If lines come later than was promised, the answer says which
    quotes slip and where their parts could be had sooner. Packs that the supplier refuses are
    cancelled: the quotes that need them are open again.
    """
    order = call.checked(ORDER, records.orders.get)
    who = "" if body is None else body.by
    doing = _doing(call, records, order, who)
    if body is None:
        try:
            fact = fact_of_answer(call.raw, doing)
        except AnswerUnreadable as error:
            raise RequestRefused([AnswerNotRead(str(error))]) from None
    else:
        check_costs(call.desk.currency, body.lines)
        check_promises(call.desk.today(order.made_at), body.lines)
        fact = Answered(
            number=body.reference,
            lines=tuple(AnsweredLine(**structs.asdict(one)) for one in body.lines),
        )
    done = order_acts.answer(doing, fact)
    told = _told(call, records, done)
    if call.desk.service.workshop.shop.purchasing.tells_slips:
        _tell_customers(call, records, done)
    return told


@_act("receipts", "receiveOrder", "request-refused")
def receive(records: Records, call: Call, body: ReceiptIn) -> Reply[OrderDoneOut]:
    """Record a delivery.

    Good packs go onto the shelf, reserved for the quotes that they were ordered for. What is short
    is still due; more than was due is over, and kept only if the call says so. Damaged and wrong
    packs are not accepted: they wait to be returned, and others are due in their place.
    `differences` lists what is not as agreed, prices beyond the shop's tolerance as well.
    """
    check_costs(call.desk.currency, body.lines)
    check_arrived(body.lines)
    fact = Received(
        number=body.reference,
        day=call.stamp.today,
        lines=tuple(
            ReceivedLine(
                line=one.line,
                packs=one.packs,
                kept=one.keep,
                damaged=one.damaged,
                wrong=one.wrong,
                unit_cost=one.unit_cost,
            )
            for one in body.lines
        ),
    )
    bins = {one.line: one.bin for one in body.lines if one.bin is not None}
    doing = _doing(call, records, call.checked(ORDER, records.orders.get), body.by)
    done = order_acts.receive(doing, fact, bins)
    found = check_delivery(
        done.before, done.after, fact, call.stamp.today, call.desk.price_tolerance
    )
    return _told(call, records, done, tuple(found))


@_act("bills", "billOrder", "request-refused")
def bill(records: Records, call: Call, body: BillIn) -> Reply[OrderDoneOut]:
    """Record the supplier's bill.

    It is matched to what was ordered, and what arrived and was kept: `differences` lists packs
    that did not arrive, prices and charges beyond the shop's tolerance, and a wrong sum. Charges
    beyond the tolerance are no customer's. A bill that is wrong is taken back by `/bills/back`.
    """
    currency = call.desk.currency
    check_costs(call.desk.currency, body.lines)
    check_bill_day(body.day, call.stamp.today)
    fact = Billed(
        number=body.number,
        day=body.day,
        lines=tuple(BilledLine(**structs.asdict(one)) for one in body.lines),
        charges=read_billed(body.charges, currency, "charges"),
        net=read_billed(body.net, currency, "net"),
    )
    doing = _doing(call, records, call.checked(ORDER, records.orders.get), body.by)
    done = order_acts.bill(doing, fact)
    found = check_bill(done.before, done.after, fact, call.desk.price_tolerance)
    return _told(call, records, done, tuple(found))


@_act("bills/back", "takeBillBack")
def bill_back(records: Records, call: Call, body: BillBackIn) -> Reply[OrderDoneOut]:
    """Take a recorded bill back.

    Of a bill that is disputed, withdrawn or recorded by mistake: it stays in the order's history,
    but its packs and charges no longer count. Its number can be recorded again.
    """
    doing = _doing(call, records, call.checked(ORDER, records.orders.get), body.by)
    return _told(call, records, order_acts.take_bill_back(doing, body.number, body.reason))


@_act("returns", "returnOrder")
def give_back(records: Records, call: Call, body: ReturnIn) -> Reply[OrderDoneOut]:
    """Record what goes back to the supplier.

    What arrived damaged, wrong or over; goods that are not needed, less what the supplier deducts,
    until its last day; old parts for their deposit, until theirs. Goods that are not needed leave
    the shelf, and the quotes that they were for are open again. What the supplier takes back beyond
    its terms needs `agreed`.
    """
    fact = Returned(
        number=body.reference,
        agreed=body.agreed,
        lines=tuple(
            ReturnedLine(
                line=one.line,
                why=ReturnReason(one.why),
                packs=one.packs,
                credit=Money(0, call.desk.currency),
            )
            for one in body.lines
        ),
    )
    doing = _doing(call, records, call.checked(ORDER, records.orders.get), body.by)
    return _told(call, records, order_acts.give_back(doing, fact))


@_act("cancel", "cancelOrder")
def cancel(records: Records, call: Call, body: CancelOrderIn) -> Reply[OrderDoneOut]:
    """Cancel what has not arrived.

    All of it, or some packs; a draft only as a whole. The quotes that need the parts are open
    again: they can be ordered once more, also elsewhere.
    """
    fact = Cancelled(
        reason=body.reason,
        lines=tuple(CancelledLine(**structs.asdict(one)) for one in body.lines),
    )
    doing = _doing(call, records, call.checked(ORDER, records.orders.get), body.by)
    return _told(call, records, order_acts.cancel(doing, fact))


@operation("GET /v1/orders/{id}/messages", "listOrderMessages", "orders")
def messages(records: Records, call: Call) -> Reply[ListOut[Mail]]:
    """List an order's e-mails, oldest first, each with its state."""
    order = call.record(ORDER, records.orders.get)
    return Reply(body=ListOut(items=records.mails.of_order(order.number)))


def _doing(call: Call, records: Records, order: KeptOrder, who: str) -> Doing:
    desk = call.desk
    return doing_of(
        records,
        call.stamp,
        order,
        name=written(ORDER, order.number),
        terms=lambda line: terms_of(desk, line),
        who=who,
    )


def _told(
    call: Call, records: Records, done: Done, differences: tuple[OrderDifference, ...] = ()
) -> Reply[OrderDoneOut]:
    """Return an order after an act, with what follows from it."""
    body = extended(
        OrderDoneOut,
        done.order,
        **members_of(call.desk, records, done.order),
        differences=differences,
        slips=slips_of(records, call.stamp, done),
        proposals=tuple(proposals_of(call.desk, call.stamp, done)),
        reopened=tuple(written(QUOTE, number) for number in done.reopened),
    )
    return answer(call.desk, body)


def _tell_customers(call: Call, records: Records, done: Done) -> None:
    """Tell the customers of quotes whose parts come later now."""
    numbers = {holder.quote for line in done.after.lines for holder in line.holders}
    for quote in (records.quotes.get(number) for number in sorted(numbers)):
        if quote is not None:
            tell_at_once(call.desk, records, call.stamp, quote)


def _redated(desk: Desk, order: KeptOrder, now: datetime) -> KeptOrder:
    """Return a draft with the days that its supplier promises if it is sent now."""
    supplier, placed = supplier_of(desk, order), placed_order(order)
    if supplier is None:
        return order
    shop = desk.service.workshop.shop
    day = desk.order_days(now)[supplier.id]
    lines = tuple(
        structs.replace(line, promised=arrival(shop, supplier, line.lead_days, day))
        for line in placed.lines
    )
    dated = structs.replace(
        placed,
        lines=lines,
        ordered_on=desk.today(now),
        promised=max(line.promised for line in lines),
    )
    return structs.replace(order, body=msgspec.json.encode(dated))


def _address(desk: Desk, order: KeptOrder) -> str:
    """Return the e-mail address of an order's supplier. Raises: NoOrderAddress."""
    supplier = supplier_of(desk, order)
    contact = None if supplier is None else supplier.contact
    if contact is None or contact.email is None:
        raise NoOrderAddress(order.supplier)
    return contact.email
