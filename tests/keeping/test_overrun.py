from datetime import date
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitwright.catalogue.model import Allows, HowRead, OverrunId, OverrunPreset
from kitwright.keeping.overrun import allowance
from kitwright.money import MixedCurrencies, Money, digits
from kitwright.units import Figure, exact

CURRENCIES = ["USD", "JPY", "KWD"]


def preset(
    allows: Allows,
    *,
    currency: str | None = "USD",
    fixed: Figure | None = None,
    percent: Figure | None = None,
    at_most: Figure | None = None,
    over_total: Figure | None = None,
) -> OverrunPreset:
    return OverrunPreset(
        id=OverrunId("drawn"),
        name="Drawn",
        note="",
        applies_to="all repairs",
        allows=allows,
        currency=currency,
        fixed=fixed,
        percent=percent,
        at_most=at_most,
        over_total=over_total,
        source="drawn",
        read=HowRead.read,
        as_of=date(2026, 11, 25),
    )


def usd(cents: int) -> Money:
    return Money(cents, "USD")


@st.composite
def presets(draw: st.DrawFn, currency: str) -> OverrunPreset:
    """Draw a preset such as the catalogue's check lets pass."""
    places = digits(currency)

    def amount() -> Figure:
        return Figure(Figure(draw(st.integers(1, 200_000))).scaleb(-places))

    allows = draw(st.sampled_from(Allows))
    fixed = amount() if allows in {Allows.fixed, Allows.greater} else None
    by_percent = allows in {Allows.percent, Allows.greater}
    percent = Figure(Figure(draw(st.integers(0, 10_000))).scaleb(-2)) if by_percent else None
    at_most = amount() if by_percent and draw(st.booleans()) else None
    over_total = amount() if allows is not Allows.nothing and draw(st.booleans()) else None
    has_amounts = not fixed is at_most is over_total is None
    return preset(
        allows,
        currency=currency if has_amounts else None,
        fixed=fixed,
        percent=percent,
        at_most=at_most if at_most is None or fixed is None else max(at_most, fixed),
        over_total=over_total,
    )


@given(data=st.data(), currency=st.sampled_from(CURRENCIES), minor=st.integers(-100, 10_000_000))
def test_allowance_is_never_negative_and_never_over_the_rule(
    data: st.DataObject, currency: str, minor: int
) -> None:
    rule = data.draw(presets(currency))
    authorised = Money(minor, currency)

    allowed = allowance(rule, authorised)

    assert allowed >= Money(0, currency)
    by_percent = max(exact(authorised.amount), Fraction(0)) * exact(rule.percent or 0) / 100
    assert exact(allowed.amount) <= max(exact(rule.fixed or 0), by_percent)
    if rule.at_most is not None:
        assert allowed.amount <= rule.at_most


@given(
    data=st.data(),
    currency=st.sampled_from(CURRENCIES),
    minor=st.integers(-100, 10_000_000),
    more=st.integers(0, 1_000_000),
)
def test_allowance_never_falls_as_the_authorised_amount_grows(
    data: st.DataObject, currency: str, minor: int, more: int
) -> None:
    rule = data.draw(presets(currency))

    assert allowance(rule, Money(minor, currency)) <= allowance(rule, Money(minor + more, currency))


@pytest.mark.parametrize("currency", CURRENCIES)
def test_allowance_without_a_preset_is_zero(currency: str) -> None:
    assert allowance(None, Money(90_000, currency)) == Money(0, currency)


@pytest.mark.parametrize(
    ("cents", "allowed"), [(0, 0), (9, 0), (10, 1), (1999, 199), (12_345, 1234), (-500, 0)]
)
def test_allowance_of_a_percentage_is_rounded_down(cents: int, allowed: int) -> None:
    rule = preset(Allows.percent, currency=None, percent=Figure("10"))

    assert allowance(rule, usd(cents)) == usd(allowed)


def test_allowance_of_a_percentage_alone_may_be_bounded() -> None:
    rule = preset(Allows.percent, percent=Figure("10"), at_most=Figure("7.50"))

    assert [allowance(rule, usd(cents)) for cents in (5000, 9000)] == [usd(500), usd(750)]


def test_allowance_begins_over_the_total_that_the_rule_names() -> None:
    rule = preset(Allows.fixed, fixed=Figure("5.00"), over_total=Figure("25.00"))

    assert [allowance(rule, usd(cents)) for cents in (2500, 2501)] == [usd(0), usd(500)]


def test_allowance_refuses_amounts_of_another_currency() -> None:
    rule = preset(Allows.fixed, fixed=Figure("5.00"))

    with pytest.raises(MixedCurrencies) as caught:
        allowance(rule, Money(9000, "EUR"))

    assert (caught.value.first, caught.value.second) == ("EUR", "USD")


def test_allowance_without_amounts_suits_any_currency() -> None:
    rule = preset(Allows.percent, currency=None, percent=Figure("10"))

    assert allowance(rule, Money(9000, "EUR")) == Money(900, "EUR")
