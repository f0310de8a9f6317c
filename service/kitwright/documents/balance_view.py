"""Balance of a stored revision in words: its total, the amount paid, and the amount left."""

from __future__ import annotations

from kitwright.language.scribe import Scribe
from kitwright.money import Money
from kitwright.quote import Envelope, Exemption, Quote, Totals, known
from kitwright.stages.price import Balance, balance


def balance_of(totals: Totals) -> Balance | None:
    """Return the balance of a revision, None if its tax is not known."""
    if totals.gross is None or totals.payable is None:
        return None
    return balance(
        known(totals.gross),
        prepaid=totals.prepaid.money,
        payable=known(totals.payable),
        deposit=totals.deposit.money,
    )


def is_owed(envelope: Envelope) -> bool:
    """Return whether a revision is payable now or later: not if it was declined or withdrawn."""
    return envelope.state not in ("declined", "withdrawn")


def total_of(totals: Totals) -> Money:
    """Return the total of a revision, with tax if the tax is known."""
    known_total = totals.gross or totals.net
    return totals.lines.money + totals.discount.money if known_total is None else known_total.money


def bears_tax(quote: Quote) -> bool:
    """Return whether any tax is charged: not if the customer is exempt from all of it."""
    return any(tax.amount.money.minor for tax in quote.taxes)


def total_told(quote: Quote, scribe: Scribe, amount: Money | None = None) -> str:
    """Return a total (default: that of the revision) in words, with or without tax: "$592.32
    including tax"; only the amount if no tax is charged.
    """
    told = sum_told(total_of(quote.totals) if amount is None else amount, scribe)
    if quote.totals.gross is None and not quote.shop.prices_include_tax:
        return scribe.say("{amount} before tax", amount=told)
    return scribe.say("{amount} including tax", amount=told) if bears_tax(quote) else told


def exemption_told(shown: Exemption, scribe: Scribe) -> str:
    """Return the sentence that a customer is exempt, with the certificate."""
    return scribe.say(
        "Exempt from tax by certificate {number}, valid until {day}.",
        number=shown.certificate_number,
        day=scribe.day(shown.valid_until),
    )


def left_row(found: Balance, scribe: Scribe) -> tuple[str, str]:
    """Return name and amount of the balance: still due, or overpaid and refundable."""
    say = scribe.say
    if found.back.minor:
        return say("Refund to you"), sum_told(found.back, scribe)
    name = say("Balance due") if found.paid.minor else say("Total due")
    return name, sum_told(found.left, scribe)


def left_sentence(found: Balance, scribe: Scribe) -> str:
    """Return a sentence with the amounts paid and left; empty if nothing was paid or rounded."""
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
    """Return an amount in the words of a language."""
    return scribe.money(amount.amount_text, amount.currency)
