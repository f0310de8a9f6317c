"""Shares of the beta and of Student's distribution, against scipy, binomial sums and inverses."""

from __future__ import annotations

from fractions import Fraction
from math import comb, isclose

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitwright.solve.beta import beta_share, beta_value, student_value

SIZES = st.floats(0.2, 400)


@pytest.mark.parametrize(
    ("value", "first", "second", "share"),
    [
        (0.1, 0.5, 0.5, 0.20483276469913345),
        (0.3, 2, 5, 0.5798250000000003),
        (0.9, 8.5, 1.25, 0.5122878136744202),
        (0.02, 0.4, 30, 0.7853687631970097),
        (0.5, 300, 310, 0.6573251825149169),
        (0.999, 40, 0.7, 0.8865078524209271),
    ],
)
def test_beta_share_is_that_of_scipy(
    value: float, first: float, second: float, share: float
) -> None:
    # scipy 1.17.1: stats.beta.cdf
    assert isclose(beta_share(value, first, second), share, rel_tol=1e-11)


@pytest.mark.parametrize(
    ("share", "first", "second", "value"),
    [
        (0.025, 3, 9, 0.06021773417290665),
        (0.975, 3, 9, 0.5177558523601726),
        (0.025, 0.5, 20, 2.4860208631304374e-05),
        (0.5, 120, 80, 0.6003339822766283),
        (0.975, 8.24, 12.76, 0.6037213768510703),
    ],
)
def test_beta_value_is_that_of_scipy(
    share: float, first: float, second: float, value: float
) -> None:
    # scipy 1.17.1: stats.beta.ppf
    assert isclose(beta_value(share, first, second), value, rel_tol=1e-9)


@pytest.mark.parametrize(
    ("share", "degrees", "value"),
    [
        (0.975, 1, 12.706204736174694),
        (0.975, 7, 2.364624251592784),
        (0.95, 30, 1.697260886593957),
        (0.025, 12, -2.1788128296672293),
        (0.975, 291, 1.9681495542478025),
        (0.5, 4, 0.0),
    ],
)
def test_student_value_is_that_of_scipy(share: float, degrees: float, value: float) -> None:
    # scipy 1.17.1: stats.t.ppf
    assert isclose(student_value(share, degrees), value, rel_tol=1e-9)


@given(st.fractions(0, 1, max_denominator=50), st.integers(1, 25), st.integers(1, 25))
def test_beta_share_of_whole_parameters_is_a_tail_of_the_binomial(
    value: Fraction, first: int, second: int
) -> None:
    draws = first + second - 1
    tail = sum(
        comb(draws, hits) * value**hits * (1 - value) ** (draws - hits)
        for hits in range(first, draws + 1)
    )
    assert isclose(beta_share(float(value), first, second), float(tail), abs_tol=1e-12)


@given(st.floats(0.001, 0.999), SIZES, SIZES)
def test_beta_value_has_its_share_below_it(share: float, first: float, second: float) -> None:
    value = beta_value(share, first, second)

    assert 0 <= value <= 1
    if 1e-9 < value < 1 - 1e-9:
        assert isclose(beta_share(value, first, second), share, abs_tol=1e-8)
