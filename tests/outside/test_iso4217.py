"""Currency digits against ISO 4217, as the iso4217 package on PyPI carries its list one."""

import iso4217

from kitwright.money import UnknownCurrency, digits


def digits_here(code: str) -> int | None:
    try:
        return digits(code)
    except UnknownCurrency:
        return None


def test_digits_agree_with_the_standard_on_every_current_code() -> None:
    published = {currency.code: currency.exponent for currency in iso4217.Currency}

    assert len(published) > 150
    assert {code: digits_here(code) for code in published} == published


def test_digits_know_no_code_that_the_standard_does_not() -> None:
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    codes = {a + b + c for a in letters for b in letters for c in letters}

    known = {code for code in codes if digits_here(code) is not None}

    assert known == {c.code for c in iso4217.Currency if c.exponent is not None}
