"""Decimals as people write them, read and written; pressures; chances and percentages."""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitwright.units import (
    Figure,
    NotAFigure,
    PressureUnit,
    decimal_text,
    exact,
    in_psi,
    percent_text,
    read_figure,
    rounded,
)


@pytest.mark.parametrize("text", ["0", "-0.5", "12.50", "9" * 15, "1." + "3" * 12])
def test_read_figure_takes_plain_decimals(text: str) -> None:
    figure = read_figure(text)

    assert type(figure) is Figure
    assert str(figure) == text


@pytest.mark.parametrize(
    "text",
    [
        *("", "+1", "1e4", "NaN", " 1", "1 ", "1\n", "1_000", "01", ".5", "5.", "1,5", "--1"),
        *("٣", "9" * 16, "1." + "3" * 13, 1, 1.5, None, Decimal(1), b"1"),
    ],
)
def test_read_figure_refuses_everything_else_and_names_it(text: object) -> None:
    with pytest.raises(NotAFigure) as refused:
        read_figure(text)

    assert refused.value.text is text
    assert str(refused.value) == (
        f'{text!r} is not a decimal number written as a string, such as "12.50"'
    )


@pytest.mark.parametrize(
    ("value", "most_places", "text"),
    [
        (Decimal(0), 6, "0"),
        (Decimal("-0"), 6, "0"),
        (Decimal("0.00"), 6, "0"),
        (Decimal("-0.00"), 6, "0"),
        (Decimal(120), 6, "120"),
        (Decimal(-120), 6, "-120"),
        (Decimal("1.20"), 6, "1.2"),
        (Decimal("-1.20"), 6, "-1.2"),
        (Decimal("3.000"), 6, "3"),
        (Decimal("0.123456"), 6, "0.123456"),
        (Decimal("0.1234565"), 6, "0.123457"),
        (Decimal("0.1234564"), 6, "0.123456"),
        (Decimal("-0.1234565"), 6, "-0.123457"),
        (Decimal("0.0000004"), 6, "0"),
        (Decimal("-0.0000004"), 6, "0"),
        (Decimal("1E+3"), 6, "1000"),
        (Decimal("1E-7"), 6, "0"),
        (Decimal("1E-7"), 7, "0.0000001"),
        (Decimal("2.5"), 0, "3"),
        (Decimal("-2.5"), 0, "-3"),
        (Decimal("0.4"), 0, "0"),
        (Fraction(1, 3), 6, "0.333333"),
        (Fraction(2, 3), 6, "0.666667"),
        (Fraction(-2, 3), 2, "-0.67"),
        (Fraction(1, 8), 2, "0.13"),
        (Fraction(-1, 8), 2, "-0.13"),
        (Fraction(1, 2), 6, "0.5"),
        (Fraction(7), 6, "7"),
        (Fraction(-7), 6, "-7"),
        (Fraction(205, 100), 2, "2.05"),
        (Fraction(-1, 1000), 2, "0"),
        (Fraction(-1, 100), 2, "-0.01"),
        (Fraction(5, 2), 0, "3"),
        (Fraction(1999, 1000), 2, "2"),
    ],
)
def test_decimal_text_writes_numbers_plainly_and_rounds_half_up(
    value: Decimal | Fraction, most_places: int, text: str
) -> None:
    assert decimal_text(value, most_places) == text


def test_decimal_text_has_six_places_at_most_unless_more_are_asked_for() -> None:
    assert decimal_text(Fraction(1, 7)) == decimal_text(Fraction(1, 7), 6) == "0.142857"
    assert decimal_text(Decimal("0.1428571")) == "0.142857"


@given(st.decimals(-(10**14), 10**14, places=6))
def test_decimal_text_of_few_places_is_the_same_number_however_it_is_held(value: Decimal) -> None:
    text = decimal_text(value)

    assert Decimal(text) == value
    assert text == decimal_text(exact(value))
    assert read_figure(text) == value


def test_exact_rounds_nothing() -> None:
    assert exact(Decimal("0.1")) == Fraction(1, 10)
    assert exact(3) == Fraction(3)


def test_in_psi_takes_the_pound_and_the_inch_as_they_are_defined() -> None:
    # 0.45359237 kg x 9.80665 m/s2 on (0.0254 m)2
    pascals = Fraction("0.45359237") * Fraction("9.80665") / Fraction("0.0254") ** 2

    assert in_psi(Decimal(90), PressureUnit.psi) == 90
    assert in_psi(Decimal(1), PressureUnit.kpa) == 1000 / pascals
    assert in_psi(Fraction(6), PressureUnit.bar) == 600_000 / pascals


@pytest.mark.parametrize(
    ("number", "places", "found"),
    [
        (0.5, 4, "0.5000"),
        # two that binary numbers hold exactly: halves go away from zero
        (0.03125, 4, "0.0313"),
        (-0.03125, 4, "-0.0313"),
        (0.125, 2, "0.13"),
        (0.03124, 4, "0.0312"),
        (2.0, 0, "2"),
    ],
)
def test_rounded_gives_a_decimal_of_so_many_places(number: float, places: int, found: str) -> None:
    assert str(rounded(number, places)) == found


def test_rounded_gives_four_places_by_default() -> None:
    assert str(rounded(1 / 3)) == "0.3333"


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (Fraction(0), "0.00"),
        (Fraction(825, 100), "8.25"),
        (Fraction(5), "5.00"),
        (Fraction(1, 3), "0.33"),
        (Fraction(2, 3), "0.67"),
        (Fraction(1, 200), "0.01"),
        (Fraction(-1, 200), "-0.01"),
        (Fraction(-1, 201), "0.00"),
        (Fraction(1, 201), "0.00"),
        (Fraction(-5, 100), "-0.05"),
        (Fraction(-1999, 1000), "-2.00"),
        (Fraction(100), "100.00"),
    ],
)
def test_percent_text_has_two_places_rounded_half_up(value: Fraction, text: str) -> None:
    assert percent_text(value) == text
