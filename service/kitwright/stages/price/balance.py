"""Balance: the total of a quote, the amount paid, and the amount left to pay or to refund."""

from __future__ import annotations

from msgspec import Struct

from kitwright.money import Money


class Balance(Struct, frozen=True, kw_only=True):
    """The amounts of a total that its customer is told.

    `comes_to` is the total with tax, to which limits and ranges refer. `left` is comes_to - paid,
    after cash rounding if it is paid in cash. If more was paid, `left` is zero and `back` is the
    refund. `advance` is the part of the deposit that is still due before parts are ordered, at most
    `left`.
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
        prepaid: the amount already paid, which may be more than the total.
        payable: gross less prepaid, with or without cash rounding; negative if more was paid.
        deposit: the total deposit, towards which the amount already paid counts.

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
