"""Paying: what customers pay, in advance or on a statement, and what they are paid back."""

from __future__ import annotations

from typing import Final

from msgspec import structs

from kitwright.keeping.accounts import account_of
from kitwright.keeping.acts import ActRefused, NotNow, check_act
from kitwright.keeping.advancing import advances_billed
from kitwright.keeping.event import Facts, keep_change
from kitwright.keeping.life import revision_of
from kitwright.keeping.record import KeptQuote, Payment, QuoteState, Stamp
from kitwright.keeping.store import Records
from kitwright.keeping.sums import read_agreed
from kitwright.money import Money, cash_round, total
from kitwright.stages.request import RequestFault

IN_ADVANCE: Final = frozenset({QuoteState.accepted, QuoteState.ordered, QuoteState.in_work})
"""States in which a customer may pay before there is a statement."""


class PaidTooMuch(ActRefused):
    """A payment of more than is owed, or of more than is to be paid back."""

    code = "paid-too-much"

    def __init__(self, amount: Money, balance: Money) -> None:
        if amount.minor < 0:
            said = f"{(-amount).amount_text} {amount.currency} can't be paid back: " + (
                f"only {(-balance).amount_text} is to be paid back"
                if balance.minor < 0
                else "nothing is to be paid back"
            )
        else:
            said = f"{amount.amount_text} {amount.currency} is more than " + (
                f"the balance of {balance.amount_text}"
                if balance.minor > 0
                else "is owed, which is nothing: what the shop returns is sent with `paid_back`"
            )
        super().__init__(said)
        self.amount = amount
        self.balance = balance


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


class AdvanceInvoiced(ActRefused):
    """An advance that can't be paid back, because an invoice of it stands."""

    code = "advance-invoiced"

    def __init__(self, billed: Money) -> None:
        super().__init__(
            f"{billed.amount_text} {billed.currency} of what was paid in advance is invoiced: "
            "credit the invoice of the advance, then pay it back"
        )
        self.billed = billed


def paid_for(records: Records, quote: KeptQuote) -> Money:
    """Return what was paid for a quote, less what was paid back."""
    every = (one.amount for one in records.payments.of_quote(quote.number))
    return total(every, quote.net.currency)


def is_payable(records: Records, quote: KeptQuote) -> bool:
    """Return whether anything can be paid on a quote, or paid back."""
    if quote.state is QuoteState.done:
        kept = records.statements.get(quote.number)
        return kept is not None and bool(account_of(records, quote).balance.minor)
    paid = paid_for(records, quote)
    if quote.state in IN_ADVANCE and paid < (quote.gross or quote.net):
        return True
    billed = advances_billed(records, quote.number)
    return paid.minor > (0 if billed is None else billed.minor)


def pay(
    records: Records, stamp: Stamp, quote: KeptQuote, payment: Payment
) -> tuple[KeptQuote, Payment]:
    """Return a quote for which was paid, or paid back if the amount is negative, and the payment.

    Cash that is the balance of a statement in the smallest coin settles it.

    Raises: NotNow, NoStatement, PaidTooMuch, AdvanceTooLarge, AdvanceInvoiced.
    """
    check_act("pay", quote)
    is_advance = quote.state is not QuoteState.done
    if is_advance:
        balance, rounding = -paid_for(records, quote), Money(0, payment.amount.currency)
        _check_advance(records, quote, payment.amount, -balance)
    else:
        balance = account_of(records, quote).balance
        rounding = _rounding(records, quote, payment, balance)
        nothing = Money(0, balance.currency)
        if not min(balance, nothing) <= payment.amount - rounding <= max(balance, nothing):
            raise PaidTooMuch(payment.amount, balance)
    kept = records.payments.add(
        structs.replace(
            payment,
            quote=quote.number,
            at=stamp.at,
            day=stamp.today,
            rounding=rounding,
            is_advance=is_advance,
        )
    )
    facts: Facts = {
        "payment": kept.number,
        "amount": kept.amount.amount_text,
        "balance": (balance - kept.amount + rounding).amount_text,
    }
    if is_advance:
        facts = {**facts, "advance": 1}
    return keep_change(records, stamp, "quote.paid", quote, facts), kept


def _check_advance(records: Records, quote: KeptQuote, amount: Money, paid: Money) -> None:
    """Raise if an amount can't be paid before there is a statement, or be paid back."""
    price = quote.gross or quote.net
    if amount.minor > 0:
        if quote.state not in IN_ADVANCE:
            raise NotNow("pay", quote, "nothing is agreed; if a fee is owed, `stop` bills it first")
        if paid + amount > price:
            raise AdvanceTooLarge(paid + amount, price)
        return
    if -amount > paid:
        raise PaidTooMuch(amount, -paid)
    billed = advances_billed(records, quote.number)
    if billed is not None and -amount > paid - billed:
        raise AdvanceInvoiced(billed)


def _rounding(records: Records, quote: KeptQuote, payment: Payment, balance: Money) -> Money:
    """Return what the smallest coin adds to the balance, or takes off, if a payment settles it."""
    nothing = Money(0, balance.currency)
    if payment.means != "cash":
        return nothing
    step = read_agreed(revision_of(records, quote, quote.agreed or quote.shown)).reckoning.cash_step
    if step is None or cash_round(balance, step) != payment.amount:
        return nothing
    return payment.amount - balance
