"""What is asked in advance, of lines that credits stand beside."""

import pytest
from msgspec import structs
from tests.stages.workbench import HEAD, HIRE_YARD, quote, starter

from kitwright.money import Money
from kitwright.stages.price import Advance, LineKind, PricedLine, tax_lines


def usd(minor: int) -> Money:
    return Money(minor, "USD")


def line_of(like: PricedLine, minor: int) -> PricedLine:
    amount = usd(minor)
    return structs.replace(
        like, quantity=like.base_quantity, unit_price=amount.amount, amount=amount
    )


@pytest.mark.parametrize(
    ("credit", "top", "bottom", "is_capped"),
    [
        (0, 1, 2, False),
        (-4_000, 1, 2, False),
        # exactly what is asked
        (-5_000, 1, 2, True),
        (-8_000, 1, 2, True),
        (-1, 1, 1, True),
        # nothing is owed, and nothing is asked for
        (-10_000, 1, 2, True),
        (-15_000, 1, 2, True),
    ],
)
def test_tax_lines_asks_a_deposit_of_no_more_than_the_gross_total_and_never_below_zero(
    credit: int, top: int, bottom: int, is_capped: bool
) -> None:
    told = quote(starter(), jobs=(HEAD,))
    like = next(line for line in told.repair.lines if line.kind is LineKind.part)
    lines = (line_of(like, 10_000), *((line_of(like, credit),) if credit else ()))

    found = tax_lines(
        starter().shops[HIRE_YARD], told.request, lines, (Advance(0, top, bottom),)
    ).totals

    assert found.gross is not None
    whole = tax_lines(starter().shops[HIRE_YARD], told.request, lines[:1], ()).totals.gross
    assert whole is not None
    share = Money.of(whole.amount * top / bottom, "USD")
    due = max(found.gross, usd(0))
    assert found.deposit == min(share, due)
    assert (found.deposit == due) == is_capped
