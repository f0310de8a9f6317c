"""Payments: calls that record and list what a customer paid, in advance or on a statement."""

from __future__ import annotations

from typing import Literal

from kitwright.keeping import paying
from kitwright.keeping.advancing import invoice_advance, is_invoiced_before
from kitwright.keeping.bill_parties import Asked
from kitwright.keeping.key import Scope
from kitwright.keeping.life import revision_of
from kitwright.keeping.record import BillKind, KeptQuote, Payment
from kitwright.keeping.store import Records
from kitwright.keeping.sums import read_agreed
from kitwright.money import Money
from kitwright.stages.request import RequestRefused
from kitwright.telling.advance import tell_advances
from kitwright.web.calls.advance_owed import advance_left, advance_of
from kitwright.web.calls.amounts import read_amount
from kitwright.web.calls.bills import selling_of
from kitwright.web.calls.call import Call, answer
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.ids import QUOTE, written
from kitwright.web.calls.quotes import QuoteHeadOut, head_of
from kitwright.web.calls.shown import Out
from kitwright.web.calls.standing import standing
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import DecimalIn, Text, Wire


class PaymentIn(Wire, frozen=True, kw_only=True):
    """A payment of an `amount` including tax; with `paid_back`, the shop pays it to the customer.
    `reference` identifies it, and `by` is the person who took or gave it.
    """

    amount: DecimalIn
    means: Literal["cash", "card", "transfer"]
    paid_back: bool = False
    reference: Text | None = None
    by: Text


class PaymentsOut(Out, frozen=True, kw_only=True):
    """What was `paid`, less what was paid back. `advance_due` is what the agreed revision asks for
    before parts are ordered, zero if none is agreed, and `advance_left` what of that is not paid
    yet. `invoices` are the invoices of advances.
    """

    advance_due: Money
    advance_left: Money
    paid: Money
    items: tuple[Payment, ...]
    invoices: tuple[str, ...]


@operation("GET /v1/quotes/{id}/payments", "listPayments", "quotes")
def listed(records: Records, call: Call) -> Reply[PaymentsOut]:
    """Get what was paid, and what of the advance is left."""
    quote = call.record(QUOTE, records.quotes.get)
    bills = records.bills.of_quote(quote.number)
    return Reply(
        body=PaymentsOut(
            advance_due=advance_of(records, quote),
            advance_left=advance_left(records, quote),
            paid=paying.paid_for(records, quote),
            items=records.payments.of_quote(quote.number),
            invoices=tuple(one.name for one in bills if one.kind is BillKind.advance),
        )
    )


@operation(
    "POST /v1/quotes/{id}/payments",
    "addPayment",
    "quotes",
    "act-refused",
    "request-refused",
    scope=Scope.ORDER,
    is_guarded=True,
)
def pay(records: Records, call: Call, body: PaymentIn) -> Reply[QuoteHeadOut]:
    """Record a payment.

    Records the payment; nothing is charged. Before the work is finished it is in advance: parts
    that a supplier gets specially for one customer are ordered only once the advance is paid. Where
    the tax area says so (`advance_invoices`), it gets an invoice of its own at once, and is refused
    with `invoice-needs` if the customer or the shop lacks something for that; an advance that is
    recorded again after a restore keeps the invoice that was entered from its copy. Afterwards it
    is on the statement: where the shop has a smallest coin, cash of the balance rounded to it
    settles the balance. What was paid in advance can be paid back as long as no invoice of it
    stands.
    """
    desk = call.desk
    quote = call.checked(QUOTE, records.quotes.get)
    amount = read_amount(body.amount, desk.currency, "amount")
    payment = Payment(
        quote=quote.number,
        number=0,
        at=call.stamp.at,
        day=call.stamp.today,
        amount=-amount if body.paid_back else amount,
        rounding=Money(0, amount.currency),
        means=body.means,
        reference=body.reference,
        who=body.by,
    )
    try:
        paid, kept = paying.pay(records, call.stamp, quote, payment)
    except paying.AdvanceTooLarge as fault:
        raise RequestRefused([fault.at("amount")]) from None
    if kept.is_advance and kept.amount.minor > 0:
        paid = _invoiced(call, records, paid, kept)
    return answer(desk, head_of(desk, records, paid))


def _invoiced(call: Call, records: Records, quote: KeptQuote, payment: Payment) -> KeptQuote:
    """Return a quote with the invoice of an advance, where the tax area wants one that is not here.

    Raises: InvoiceNeeds.
    """
    revision = revision_of(records, quote, quote.agreed or quote.shown)
    is_wanted = read_agreed(revision).reckoning.area.advance_invoices
    if not is_wanted or is_invoiced_before(records, quote, payment):
        return quote
    agreed = standing(records, quote, revision)
    customer = None if quote.customer is None else records.customers.get(quote.customer)
    words = tell_advances(agreed.language, written(QUOTE, quote.number))
    invoiced, _ = invoice_advance(
        records,
        call.stamp,
        quote,
        payment,
        agreed,
        selling_of(call.desk, records, quote),
        Asked(customer=customer),
        words,
    )
    return invoiced
