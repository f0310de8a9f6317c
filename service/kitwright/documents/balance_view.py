"""Balance: the total of a stored revision, what is paid, and what is left, in words."""

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
    """Return whether the revision may have to be paid: not if it was declined or withdrawn, or if
    its customer withdrew from the contract.
    """
    return envelope.state not in ("declined", "withdrawn") and not has_withdrawn(envelope)


def has_withdrawn(envelope: Envelope) -> bool:
    """Return whether the customer withdrew from the contract."""
    return envelope.withdrawal is not None and envelope.withdrawal.withdrawn_at is not None


def is_undecided(envelope: Envelope) -> bool:
    """Return whether the revision can still be agreed to."""
    return envelope.state in ("draft", "issued")


def total_of(totals: Totals) -> Money:
    """Return the total of a revision, without tax if the tax is not known."""
    known_total = totals.gross or totals.net
    return totals.lines.money + totals.discount.money if known_total is None else known_total.money


def bears_tax(quote: Quote) -> bool:
    """Return whether any tax is charged: not if the customer is exempt from all of it."""
    return any(tax.amount.money.minor for tax in quote.taxes)


def total_told(quote: Quote, scribe: Scribe) -> str:
    """Return the total, and whether it includes tax: "$592.32 including tax"."""
    return with_tax_told(quote, scribe, scribe.amount(total_of(quote.totals)))


def with_tax_told(quote: Quote, scribe: Scribe, total: str) -> str:
    """Return a total in words, and whether it includes tax; only the total if no tax is charged."""
    if quote.totals.gross is None and not quote.shop.prices_include_tax:
        return scribe.say("{amount} before tax", amount=total)
    return scribe.say("{amount} including tax", amount=total) if bears_tax(quote) else total


def exemption_told(exemption: Exemption, scribe: Scribe) -> str:
    """Return that the customer is exempt from tax, and by which certificate."""
    return scribe.say(
        "Exempt from tax by certificate {number}, valid until {day}.",
        number=exemption.certificate_number,
        day=scribe.day(exemption.valid_until),
    )


def left_row(found: Balance, scribe: Scribe) -> tuple[str, Money]:
    """Return the label and the amount that is left: due, or refunded if too much was paid."""
    if found.back.minor:
        return scribe.say("Refund to you"), found.back
    label = scribe.say("Balance due") if found.paid.minor else scribe.say("Total due")
    return label, found.left


def left_sentence(found: Balance, scribe: Scribe) -> str:
    """Return a sentence about what is paid and what is left; empty if neither differs from the
    total.
    """
    say = scribe.say
    paid, left, back = map(scribe.amount, (found.paid, found.left, found.back))
    if found.back.minor:
        return say("You have already paid {paid}. We will refund {back}.", paid=paid, back=back)
    if found.paid.minor:
        return say("You have already paid {paid}. The balance due is {left}.", paid=paid, left=left)
    if found.left != found.comes_to:
        return say("After cash rounding, the total due is {left}.", left=left)
    return ""
