"""Advances: calls that record and list what a customer paid before the parts are ordered."""

from __future__ import annotations

from typing import Literal

from kitwright.documents.balance_view import balance_of
from kitwright.keeping.advances import record_advance
from kitwright.keeping.key import Scope
from kitwright.keeping.life import revision_of
from kitwright.keeping.record import Advance, KeptQuote
from kitwright.keeping.store import Records
from kitwright.money import Money, total
from kitwright.quote import read_quote
from kitwright.stages.request import RequestFault, RequestRefused
from kitwright.web.calls.amounts import read_amount
from kitwright.web.calls.call import Call, answer
from kitwright.web.calls.handlers import operation
from kitwright.web.calls.ids import QUOTE
from kitwright.web.calls.quotes import QuoteHeadOut, head_of
from kitwright.web.calls.shown import Out
from kitwright.web.edge.reply import Reply
from kitwright.web.edge.shapes import DecimalIn, Text, Wire


class AdvanceIn(Wire, frozen=True, kw_only=True):
    """A payment in advance, of an `amount` including tax; `reference` identifies it, and `by` is
    the person who took it.
    """

    amount: DecimalIn
    means: Literal["cash", "card", "transfer"]
    reference: Text | None = None
    by: Text


class AdvancesOut(Out, frozen=True, kw_only=True):
    """What was paid in advance. `due` is what the agreed revision asks for before parts are
    ordered, zero if none is agreed, and `left` is what of that is not paid yet.
    """

    due: Money
    paid: Money
    left: Money
    items: tuple[Advance, ...]


class AdvanceTooLarge(RequestFault):
    """Payments in advance that are more than the agreed revision comes to."""

    code = "advance-too-large"

    def __init__(self, paid: Money, price: Money) -> None:
        super().__init__(
            f"{paid.amount_text} {paid.currency} would be paid in advance, and the quote comes to "
            f"{price.amount_text}"
        )
        self.paid = paid
        self.price = price


@operation("GET /v1/quotes/{id}/advances", "listAdvances", "quotes")
def listed(records: Records, call: Call) -> Reply[AdvancesOut]:
    """Get what was paid in advance, and what of the advance is left."""
    quote = call.record(QUOTE, records.quotes.get)
    items = records.advances.of_quote(quote.number)
    due, paid = _due(records, quote), total((one.amount for one in items), quote.net.currency)
    left = max(due - paid, Money(0, quote.net.currency))
    return Reply(body=AdvancesOut(due=due, paid=paid, left=left, items=items))


@operation(
    "POST /v1/quotes/{id}/advances",
    "addAdvance",
    "quotes",
    "act-refused",
    "request-refused",
    scope=Scope.ORDER,
    is_guarded=True,
)
def add(records: Records, call: Call, body: AdvanceIn) -> Reply[QuoteHeadOut]:
    """Record a payment in advance.

    Parts that a supplier gets specially for one customer are ordered only once the advance is
    paid. Records the payment; nothing is charged.
    """
    quote = call.checked(QUOTE, records.quotes.get)
    amount = read_amount(body.amount, call.desk.currency, "amount")
    earlier = records.advances.of_quote(quote.number)
    paid = total((one.amount for one in earlier), amount.currency) + amount
    price = quote.gross or quote.net
    if paid > price:
        raise RequestRefused([AdvanceTooLarge(paid, price).at("amount")])
    advance = Advance(
        quote=quote.number,
        number=0,
        at=call.stamp.at,
        day=call.stamp.today,
        amount=amount,
        means=body.means,
        reference=body.reference,
        who=body.by,
    )
    changed = record_advance(records, call.stamp, quote, advance)
    return answer(call.desk, head_of(call.desk, records, changed))


def _due(records: Records, quote: KeptQuote) -> Money:
    """Return the advance that the agreed revision of a quote asks for."""
    if quote.agreed is not None:
        balance = balance_of(read_quote(revision_of(records, quote, quote.agreed).answer).totals)
        if balance is not None:
            return balance.advance
    return Money(0, quote.net.currency)
