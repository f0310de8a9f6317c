"""Money in whole minor units, its one rounding, and splits that sum to what they split."""

import operator
from collections.abc import Callable
from decimal import ROUND_DOWN, ROUND_HALF_EVEN, ROUND_HALF_UP, Context, Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitwright.money import (
    BaseQuantityInvalid,
    CashIncrementInvalid,
    MixedCurrencies,
    Money,
    MoneyError,
    RoundMode,
    SharesInvalid,
    UnknownCurrency,
    WeightsInvalid,
    apportion,
    cash_round,
    digits,
    line_amount,
    round_minor,
    round_ratio,
    share,
    total,
)

DECIMAL_MODES = {
    RoundMode.half_up: ROUND_HALF_UP,
    RoundMode.half_even: ROUND_HALF_EVEN,
    RoundMode.down: ROUND_DOWN,
}
CURRENCIES = st.sampled_from(["USD", "JPY", "BHD", "CLF"])
MODES = st.sampled_from(list(RoundMode))
AMOUNTS = st.integers(-(10**30), 10**30)
FIGURES = st.decimals(-(10**15), 10**15, places=6)
WEIGHTS = st.lists(
    st.one_of(st.integers(0, 50), st.fractions(0, 10, max_denominator=60)), min_size=1, max_size=8
)


@pytest.mark.parametrize(
    ("value", "half_up", "half_even", "down"),
    [
        ("2.4", 2, 2, 2),
        ("2.5", 3, 2, 2),
        ("3.5", 4, 4, 3),
        ("2.6", 3, 3, 2),
        ("0.5", 1, 0, 0),
        ("0", 0, 0, 0),
        ("-0.5", -1, 0, 0),
        ("-2.5", -3, -2, -2),
        ("-2.6", -3, -3, -2),
    ],
)
def test_round_minor_rounds_a_half_as_the_mode_says_and_mirrors_negatives(
    value: str, half_up: int, half_even: int, down: int
) -> None:
    rounded = [round_minor(Decimal(value), mode) for mode in RoundMode]

    assert rounded == [half_up, half_even, down]


@given(FIGURES, MODES)
def test_round_minor_agrees_with_the_decimal_module(value: Decimal, mode: RoundMode) -> None:
    context = Context(prec=60, rounding=DECIMAL_MODES[mode])

    assert round_minor(value, mode) == int(value.to_integral_value(context=context))


@given(st.fractions(), MODES)
def test_round_ratio_moves_a_value_by_less_than_one_and_mirrors_negatives(
    value: Fraction, mode: RoundMode
) -> None:
    rounded = round_ratio(value.numerator, value.denominator, mode)

    assert type(rounded) is int
    assert abs(rounded - value) < 1 if mode is RoundMode.down else abs(rounded - value) * 2 <= 1
    assert round_ratio(-value.numerator, value.denominator, mode) == -rounded


@pytest.mark.parametrize(
    ("currency", "places"), [("JPY", 0), ("USD", 2), ("HUF", 2), ("BHD", 3), ("UYW", 4)]
)
def test_digits_gives_the_minor_unit_of_a_currency(currency: str, places: int) -> None:
    assert digits(currency) == places


@pytest.mark.parametrize("currency", ["", "usd", "DEM", "XAU", "XXX", "US$"])
def test_digits_refuses_what_is_no_current_currency(currency: str) -> None:
    with pytest.raises(UnknownCurrency) as refusal:
        digits(currency)

    assert refusal.value.currency == currency


def test_money_refuses_an_unknown_currency() -> None:
    with pytest.raises(UnknownCurrency):
        Money(1, "ABC")


@pytest.mark.parametrize(
    ("amount", "currency", "text"),
    [
        ("129.5", "USD", "129.50"),
        ("2.665", "USD", "2.67"),
        ("-2.665", "USD", "-2.67"),
        ("0.004", "USD", "0.00"),
        ("-0.004", "USD", "0.00"),
        ("-0.05", "USD", "-0.05"),
        ("1234.5", "JPY", "1235"),
        ("-7", "JPY", "-7"),
        ("1.2345", "BHD", "1.235"),
        ("0.00005", "CLF", "0.0001"),
    ],
)
def test_money_of_rounds_half_up_to_the_minor_unit(amount: str, currency: str, text: str) -> None:
    money = Money.of(Decimal(amount), currency)

    assert money.amount_text == text


def test_money_of_rounds_by_the_mode_it_is_given() -> None:
    assert Money.of(Decimal("2.665"), "USD", RoundMode.half_even).amount_text == "2.66"
    assert Money.of(Fraction(8, 3), "USD", RoundMode.down).amount_text == "2.66"


@given(AMOUNTS, CURRENCIES)
def test_amount_and_its_text_name_the_money_exactly(minor: int, currency: str) -> None:
    money = Money(minor, currency)

    assert Fraction(money.amount) * 10 ** digits(currency) == minor
    assert str(money.amount) == money.amount_text
    assert Money.of(money.amount, currency) == money


@given(st.lists(AMOUNTS, max_size=8), CURRENCIES)
def test_total_is_the_sum_in_minor_units(minors: list[int], currency: str) -> None:
    moneys = [Money(minor, currency) for minor in minors]

    assert total(moneys, currency) == Money(sum(minors), currency)


def test_arithmetic_stays_in_minor_units() -> None:
    assert Money(150, "USD") + Money(75, "USD") == Money(225, "USD")
    assert Money(150, "USD") - Money(175, "USD") == Money(-25, "USD")
    assert -Money(150, "USD") == Money(-150, "USD")


def test_order_follows_the_amount() -> None:
    less, more = Money(-1, "USD"), Money(1, "USD")

    assert less < more
    assert less <= more <= Money(1, "USD")
    assert more > less
    assert more >= less >= Money(-1, "USD")
    assert not any([more < less, more <= less, less > more, less >= more])
    assert max(less, more) == more


@pytest.mark.parametrize(
    "act", [operator.add, operator.sub, operator.lt, operator.le, operator.gt, operator.ge]
)
def test_two_currencies_are_not_computed_together(act: Callable[[Money, Money], object]) -> None:
    with pytest.raises(MixedCurrencies) as refusal:
        act(Money(1, "USD"), Money(1, "CAD"))

    assert (refusal.value.first, refusal.value.second) == ("USD", "CAD")


def test_total_refuses_another_currency_than_it_was_asked_for() -> None:
    with pytest.raises(MixedCurrencies):
        total([Money(1, "USD")], "EUR")


def test_amounts_of_two_currencies_are_not_equal() -> None:
    assert Money(0, "USD") != Money(0, "EUR")


@pytest.mark.parametrize(
    ("whole", "weights", "parts"),
    [
        (10, [1, 1, 1], (4, 3, 3)),
        (-10, [1, 1, 1], (-4, -3, -3)),
        (100, [Fraction(1, 3), Fraction(1, 6), Fraction(1, 2)], (33, 17, 50)),
        (3, [0, 0], (2, 1)),
        (5, [0, 7, 0], (0, 5, 0)),
        (1, [1, 2], (0, 1)),
        (0, [1, 2], (0, 0)),
        (0, [], ()),
    ],
)
def test_share_goes_by_largest_remainder_with_ties_to_the_earlier(
    whole: int, weights: list[Fraction | int], parts: tuple[int, ...]
) -> None:
    assert share(whole, weights) == parts


@given(st.integers(-(10**9), 10**9), WEIGHTS)
def test_share_sums_to_the_whole_and_stays_within_one_of_the_exact_share(
    whole: int, weights: list[Fraction | int]
) -> None:
    parts = share(whole, weights)
    weight_sum = sum(weights) or Fraction(len(weights))
    fair = [weight if sum(weights) else 1 for weight in weights]

    assert sum(parts) == whole
    assert all(type(part) is int for part in parts)
    for part, weight in zip(parts, fair, strict=True):
        assert abs(part - Fraction(whole) * weight / weight_sum) < 1
    assert share(-whole, weights) == tuple(-part for part in parts)


@given(st.integers(0, 10**6), WEIGHTS)
def test_share_gives_the_larger_remainder_first(whole: int, weights: list[Fraction | int]) -> None:
    weight_sum = sum(weights)
    exact = [
        Fraction(whole) * weight / weight_sum if weight_sum else Fraction(whole, len(weights))
        for weight in weights
    ]
    downs = [int(each) for each in exact]
    rests = [each - down for each, down in zip(exact, downs, strict=True)]

    parts = share(whole, weights)

    raised = [place for place, part in enumerate(parts) if part > downs[place]]
    for place in raised:
        for other in set(range(len(parts))) - set(raised):
            assert (-rests[place], place) < (-rests[other], other)


@pytest.mark.parametrize(("whole", "weights"), [(1, []), (1, [2, -1])])
def test_share_refuses_weights_that_cannot_divide(whole: int, weights: list[int]) -> None:
    with pytest.raises(WeightsInvalid):
        share(whole, weights)


@given(
    st.lists(st.integers(-(10**6), 10**6), max_size=8),
    st.integers(1, 1000),
    MODES,
)
def test_apportion_keeps_each_part_within_one_of_its_share_of_either_sign(
    tops: list[int], bottom: int, mode: RoundMode
) -> None:
    whole = round_ratio(sum(tops), bottom, mode)

    parts = apportion(whole, tops, bottom)

    assert sum(parts) == whole
    for part, top in zip(parts, tops, strict=True):
        assert abs(part - Fraction(top, bottom)) < 1
        assert part * bottom == top or top % bottom
    mirrored = apportion(-whole, [-top for top in tops], bottom)
    assert mirrored == tuple(-part for part in parts)


@pytest.mark.parametrize(
    ("tops", "parts"), [([5, -5], (1, -1)), ([-5, 5], (-1, 1)), ([-5, 5, 5, -5], (-1, 0, 1, 0))]
)
def test_apportion_mirrors_shares_that_cancel_out(tops: list[int], parts: tuple[int, ...]) -> None:
    assert apportion(0, tops, 10) == parts


@pytest.mark.parametrize(("whole", "tops"), [(1, []), (3, [10, 10]), (1, [10, 10])])
def test_apportion_refuses_shares_of_another_whole(whole: int, tops: list[int]) -> None:
    with pytest.raises(SharesInvalid):
        apportion(whole, tops, 10)


@pytest.mark.parametrize(
    ("quantity", "unit_price", "base_quantity", "allowances", "net"),
    [
        ("3", "3.335", "1", "0", "10.01"),  # 10.005, rounded once and not 3 x 3.34
        ("1", "10.00", "3", "0", "3.33"),
        ("-2", "0.125", "1", "0", "-0.25"),
        ("-1", "0.125", "1", "0", "-0.13"),
        ("10", "410", "1", "100", "4000.00"),
        ("1", "5.00", "1", "-0.50", "5.50"),
    ],
)
def test_line_amount_is_rounded_once(
    quantity: str, unit_price: str, base_quantity: str, allowances: str, net: str
) -> None:
    amount = line_amount(
        Decimal(quantity),
        Decimal(unit_price),
        Decimal(base_quantity),
        Decimal(allowances),
        currency="USD",
    )

    assert amount.amount_text == net


@given(FIGURES, FIGURES, st.fractions(Fraction(1, 60), 60, max_denominator=60), FIGURES, CURRENCIES)
def test_line_amount_is_within_half_a_minor_unit_of_the_exact_amount(
    quantity: Decimal,
    unit_price: Decimal,
    base_quantity: Fraction,
    allowances: Decimal,
    currency: str,
) -> None:
    exact = Fraction(quantity) * Fraction(unit_price) / base_quantity - Fraction(allowances)

    amount = line_amount(quantity, unit_price, base_quantity, allowances, currency=currency)

    assert abs(amount.minor - exact * 10 ** digits(currency)) * 2 <= 1


@pytest.mark.parametrize("base_quantity", [0, Decimal(-1), Fraction(-1, 2)])
def test_line_amount_refuses_a_price_for_nothing(base_quantity: Decimal | Fraction | int) -> None:
    with pytest.raises(BaseQuantityInvalid):
        line_amount(1, 1, base_quantity, currency="USD")


@pytest.mark.parametrize(
    ("amount", "currency", "increment", "cash"),
    [
        ("4.92", "CAD", "0.05", "4.90"),
        ("4.93", "CAD", "0.05", "4.95"),
        ("-4.93", "CAD", "0.05", "-4.95"),
        ("2.25", "SEK", "0.5", "2.50"),
        ("2.25", "SEK", "1", "2.00"),
        ("1.2345", "CLF", "0.0010", "1.2350"),
        ("123", "JPY", "5", "125"),
        ("7.01", "USD", "0.01", "7.01"),
    ],
)
def test_cash_round_gives_the_nearest_multiple_half_up(
    amount: str, currency: str, increment: str, cash: str
) -> None:
    rounded = cash_round(Money.of(Decimal(amount), currency), Decimal(increment))

    assert rounded.amount_text == cash


@pytest.mark.parametrize("increment", ["0", "-0.05", "0.005", "0.015"])
def test_cash_round_refuses_what_no_coin_can_be(increment: str) -> None:
    with pytest.raises(CashIncrementInvalid):
        cash_round(Money(1, "CAD"), Decimal(increment))


def test_each_error_has_a_code_and_a_message_of_its_facts() -> None:
    errors = [
        UnknownCurrency("ABC"),
        MixedCurrencies("USD", "CAD"),
        WeightsInvalid(3, [-1]),
        SharesInvalid(3, Fraction(1)),
        BaseQuantityInvalid(0),
        CashIncrementInvalid(Decimal("0.001"), "CAD"),
    ]

    assert len({error.code for error in errors}) == len(errors)
    assert "ABC" in str(errors[0])


REFUSED: tuple[tuple[Callable[[], object], type[MoneyError], dict[str, object], str], ...] = (
    (
        lambda: Money(1, "XAU"),
        UnknownCurrency,
        {"currency": "XAU"},
        "'XAU' is not a current ISO 4217 currency code",
    ),
    (
        lambda: Money(1, "USD") + Money(1, "EUR"),
        MixedCurrencies,
        {"first": "USD", "second": "EUR"},
        "USD and EUR cannot be combined",
    ),
    (
        lambda: total([Money(1, "EUR")], "USD"),
        MixedCurrencies,
        {"first": "USD", "second": "EUR"},
        "USD and EUR cannot be combined",
    ),
    (
        lambda: share(7, [2, -1]),
        WeightsInvalid,
        {"whole": 7, "weights": (2, -1)},
        "7 cannot be shared by 2 weights: at least one is needed, and none may be negative",
    ),
    (
        lambda: share(7, []),
        WeightsInvalid,
        {"whole": 7, "weights": ()},
        "7 cannot be shared by 0 weights: at least one is needed, and none may be negative",
    ),
    (
        lambda: apportion(7, [10, 5], 3),
        SharesInvalid,
        {"whole": 7, "exact": Fraction(5)},
        "shares of 5 in all are not the parts of 7",
    ),
    (
        lambda: line_amount(1, 1, 0, currency="USD"),
        BaseQuantityInvalid,
        {"base_quantity": 0},
        "a price for a quantity of 0 has no meaning",
    ),
    (
        lambda: cash_round(Money(1, "USD"), Decimal("0.001")),
        CashIncrementInvalid,
        {"increment": Decimal("0.001"), "currency": "USD"},
        "0.001 USD is not a positive whole number of the smallest unit",
    ),
)


@pytest.mark.parametrize(("act", "error", "facts", "text"), REFUSED)
def test_errors_of_money_carry_what_they_are_about(
    act: Callable[[], object], error: type[MoneyError], facts: dict[str, object], text: str
) -> None:
    with pytest.raises(error) as refused:
        act()

    assert {name: getattr(refused.value, name) for name in facts} == facts
    assert str(refused.value) == text


def test_line_amount_is_of_one_piece_without_allowance_unless_more_is_said() -> None:
    assert line_amount(3, Decimal("2.50"), currency="USD") == Money(750, "USD")


def test_equal_amounts_are_neither_smaller_nor_larger() -> None:
    one = Money(5, "USD")

    assert (one < Money(5, "USD"), one > Money(5, "USD")) == (False, False)
    assert (one <= Money(5, "USD"), one >= Money(5, "USD")) == (True, True)
