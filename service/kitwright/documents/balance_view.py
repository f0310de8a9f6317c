"""The balance of a kept revision: its total, what is paid, and what is left, in words."""

from __future__ import annotations

from kitwright.language.scribe import Scribe
from kitwright.money import Money
from kitwright.quote import Envelope, Exemption, Quote, Totals, known
from kitwright.stages.price import Balance, balance


def balance_of(totals: Totals) -> Balance | None:
    """Return the balance of a revision, None where its tax is not known."""
    if totals.gross is None or totals.payable is None:
        return None
    return balance(
        known(totals.gross),
        prepaid=totals.prepaid.money,
        payable=known(totals.payable),
        deposit=totals.deposit.money,
    )


def is_owed(envelope: Envelope) -> bool:
    """Return whether anything is to be paid of a revision, or will be: not once it was declined or
    withdrawn.
    """
    return envelope.state not in ("declined", "withdrawn")


def total_of(totals: Totals) -> Money:
    """Return the total of a revision, without tax as long as the tax is not known."""
    known_total = totals.gross or totals.net
    return totals.lines.money + totals.discount.money if known_total is None else known_total.money


def bears_tax(quote: Quote) -> bool:
    """Return whether any tax is charged: not if the customer is exempt from all of it."""
    return any(tax.amount.money.minor for tax in quote.taxes)


def total_told(quote: Quote, scribe: Scribe, amount: Money | None = None) -> str:
    """Return a total, the revision's own if none is given, with whether tax is in it: "$592.32
    including tax"; only the amount if no tax is charged.
    """
    told = sum_told(total_of(quote.totals) if amount is None else amount, scribe)
    if quote.totals.gross is None and not quote.shop.prices_include_tax:
        return scribe.say("{amount} before tax", amount=told)
    return scribe.say("{amount} including tax", amount=told) if bears_tax(quote) else told


def exemption_told(shown: Exemption, scribe: Scribe) -> str:
    """Return that a customer is exempt, and by what."""
    return scribe.say(
        "Exempt from tax by certificate {number}, valid until {day}.",
        number=shown.certificate_number,
        day=scribe.day(shown.valid_until),
    )


def left_row(found: Balance, scribe: Scribe) -> tuple[str, str]:
    """Return what is left and its name: still due, or more than was due and paid back."""
    say = scribe.say
    if found.back.minor:
        return say("Refund to you"), sum_told(found.back, scribe)
    name = say("Balance due") if found.paid.minor else say("Total due")
    return name, sum_told(found.left, scribe)


def left_sentence(found: Balance, scribe: Scribe) -> str:
    """Return what is paid and what is left in a sentence; empty where all is left as it is."""
    say = scribe.say
    paid, left = sum_told(found.paid, scribe), sum_told(found.left, scribe)
    if found.back.minor:
        back = sum_told(found.back, scribe)
        return say("You have already paid {paid}. We will refund {back}.", paid=paid, back=back)
    if found.paid.minor:
        return say("You have already paid {paid}. The balance due is {left}.", paid=paid, left=left)
    if found.left != found.comes_to:
        return say("After cash rounding, the total due is {left}.", left=left)
    return ""


def sum_told(amount: Money, scribe: Scribe) -> str:
    """Return an amount in words of a language."""
    return scribe.money(amount.amount_text, amount.currency)
