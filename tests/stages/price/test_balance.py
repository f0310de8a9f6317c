"""What a quote comes to, what is paid, and what is left or paid back."""

import pytest

from kitwright.money import Money
from kitwright.stages.price import balance


def usd(minor: int) -> Money:
    return Money(minor, "USD")


@pytest.mark.parametrize(
    ("prepaid", "payable", "left", "back", "advance"),
    [
        (0, 45258, 45258, 0, 6000),
        (10000, 35258, 35258, 0, 0),
        (2000, 43258, 43258, 0, 4000),
        (45258, 0, 0, 0, 0),
        (50000, -4742, 0, 4742, 0),
        # rounded to coins
        (2000, 43260, 43260, 0, 4000),
    ],
)
def test_balance_is_never_below_zero(
    prepaid: int, payable: int, left: int, back: int, advance: int
) -> None:
    found = balance(usd(45258), prepaid=usd(prepaid), payable=usd(payable), deposit=usd(6000))

    assert (found.comes_to, found.paid) == (usd(45258), usd(prepaid))
    assert (found.left, found.back, found.advance) == (usd(left), usd(back), usd(advance))
