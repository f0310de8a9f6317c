"""The balance of a kept revision: what it comes to, what is paid, and what is left, in words."""

from __future__ import annotations

from kitwright.language.scribe import Scribe
from kitwright.money import Money
from kitwright.quote import Envelope, Totals, known
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


def left_row(found: Balance, scribe: Scribe) -> tuple[str, str]:
    """Return what is left and its name: to pay, or more than was to pay and paid back."""
    say = scribe.say
    if found.back.minor:
        return say("We pay back to you"), sum_told(found.back, scribe)
    name = say("Left to pay") if found.paid.minor else say("To pay")
    return name, sum_told(found.left, scribe)


def left_sentence(found: Balance, scribe: Scribe) -> str:
    """Return what is paid and what is left in a sentence; empty where all is left as it is."""
    say = scribe.say
    paid, left = sum_told(found.paid, scribe), sum_told(found.left, scribe)
    if found.back.minor:
        back = sum_told(found.back, scribe)
        return say("You have paid {paid} already: we pay {back} back to you.", paid=paid, back=back)
    if found.paid.minor:
        return say("You have paid {paid} already: {left} is left to pay.", paid=paid, left=left)
    if found.left != found.comes_to:
        return say("Rounded to coins, {left} is to pay.", left=left)
    return ""


def sum_told(amount: Money, scribe: Scribe) -> str:
    """Return an amount in words of a language."""
    return scribe.money(amount.amount_text, amount.currency)
