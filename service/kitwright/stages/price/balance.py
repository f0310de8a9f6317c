"""Balance: what a quote comes to, what of it is paid, and what is left, or is paid back."""

from __future__ import annotations

from msgspec import Struct

from kitwright.money import Money


class Balance(Struct, frozen=True, kw_only=True):
    """The figures of a total that its customer is told, none of them below zero.

    `comes_to` is the total with tax, which limits and ranges are of. comes_to - paid, rounded to
    coins where it is paid in cash, is `left`, or, where more was paid, `back`. `advance` is what is
    still asked before parts are ordered.
    """

    comes_to: Money
    paid: Money
    left: Money
    back: Money
    advance: Money


def balance(gross: Money, *, prepaid: Money, payable: Money, deposit: Money) -> Balance:
    """Return the balance of a total.

    Args:
        gross: the total with tax.
        prepaid: what was paid of it, maybe more than it is.
        payable: gross less prepaid, rounded to coins or not; below zero where more was paid.
        deposit: what is asked in advance in all; what is paid already counts towards it.

    >>> gross, paid, deposit = (Money(minor, "USD") for minor in (10_000, 6_000, 8_000))
    >>> found = balance(gross, prepaid=paid, payable=gross - paid, deposit=deposit)
    >>> found.left.amount_text, found.advance.amount_text
    ('40.00', '20.00')
    """
    nothing = Money(0, gross.currency)
    left = max(payable, nothing)
    return Balance(
        comes_to=gross,
        paid=prepaid,
        left=left,
        back=max(-payable, nothing),
        advance=min(max(deposit - prepaid, nothing), left),
    )
