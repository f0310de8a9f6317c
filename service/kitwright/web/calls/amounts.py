"""Amounts: reads amounts of the shop's currency from requests."""

from __future__ import annotations

from decimal import Decimal

from kitwright.money import Money, digits
from kitwright.stages.request import RequestFault, RequestRefused, check_amount
from kitwright.units import read_figure


class AmountInvalid(RequestFault):
    """An amount with too many decimals for its currency, or not above zero."""

    code = "amount-invalid"

    def __init__(self, text: str, currency: str) -> None:
        super().__init__(
            f"{text} {currency}: should be above zero, with at most {digits(currency)} decimals"
        )
        self.text = text
        self.currency = currency


def read_amount_or_none(text: str | None, currency: str, *member: str | int) -> Money | None:
    """Return an amount of the shop's currency, above zero, None for none. Raises:
    RequestRefused.
    """
    return None if text is None else read_amount(text, currency, *member)


def check_typed(text: str | None, currency: str, *member: str | int) -> None:
    """Raise if an amount is one that nobody means. Raises: RequestRefused."""
    faults = [*check_amount(read_figure(text or "0"), currency)]
    if faults:
        raise RequestRefused([fault.at(*member) for fault in faults])


def read_total_or_none(text: str | None, currency: str, *member: str | int) -> Money | None:
    """Return a total of the shop's currency, None for none. What the shop bears by its warranty
    comes to nothing, and is agreed all the same. Raises: RequestRefused.
    """
    if text is not None and read_figure(text) == 0:
        return Money(0, currency)
    return read_amount_or_none(text, currency, *member)


def read_amount(text: str, currency: str, *member: str | int) -> Money:
    """Return an amount of the shop's currency, above zero. Raises: RequestRefused."""
    figure = read_figure(text)
    check_typed(text, currency, *member)
    money_of = Money.of(figure, currency)
    if figure <= 0 or money_of.amount != Decimal(text):
        raise RequestRefused([AmountInvalid(text, currency).at(*member)])
    return money_of
