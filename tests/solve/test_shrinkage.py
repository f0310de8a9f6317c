"""Shrunk means, against statsmodels and scipy, and against least squares with the prior as data."""

from __future__ import annotations

from math import isclose, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitwright.solve.shrinkage import Shrinkage, shrink

GROUPS = {
    "a": [0.31, 0.12, 0.44, 0.27, 0.19, 0.38, 0.22, 0.35, 0.29],
    "b": [-0.05, 0.11, 0.02, -0.14, 0.08],
    "c": [0.6, 0.35],
    "d": [-0.21],
    "e": [0.01, -0.02, 0.03, 0.0, 0.05, -0.04, 0.02, 0.01, -0.01, 0.03, 0.02, -0.02],
}
MEASURED = st.dictionaries(
    st.integers(0, 9),
    st.lists(st.integers(-200, 200).map(lambda one: one / 100), min_size=1, max_size=12),
    min_size=1,
    max_size=8,
)


def test_variances_are_those_of_statsmodels_and_scipy() -> None:
    found = shrink(GROUPS)

    # statsmodels 0.15.0: the scale of OLS with one mean for each group
    assert isclose(found.within, 0.006585787037037036, rel_tol=1e-12)
    assert found.degrees == 24
    # scipy 1.17.1: optimize.brentq on the equation of Paule and Mandel with the mean at nought
    assert isclose(found.between, 0.06719430066921973, rel_tol=1e-9)


@pytest.mark.parametrize(
    ("group", "value", "deviation", "low", "high"),
    [
        ("a", 0.28247932135401665, 0.026904852185620325, 0.22695043562730025, 0.33800820708073304),
        ("b", 0.003923098562232653, 0.035942100422881845, -0.0702577508024432, 0.0781039479269085),
        ("c", 0.4528098073086816, 0.0560273331717067, 0.337175074963742, 0.5684445396536212),
        ("d", -0.19125489788946812, 0.07744626485168685, -0.3510961325203277, -0.03141366325860859),
        (
            "e",
            0.006612657185285198,
            0.023331725174968596,
            -0.041541656843632854,
            0.05476697121420325,
        ),
    ],
)
def test_means_are_those_of_statsmodels(
    group: str, value: float, deviation: float, low: float, high: float
) -> None:
    """statsmodels 0.15.0: OLS with the prior as further observations; interval by stats.t.ppf."""
    found = shrink(GROUPS).groups[group]

    assert isclose(found.value, value, rel_tol=1e-9)
    assert isclose(found.deviation, deviation, rel_tol=1e-9)
    assert isclose(found.low, low, rel_tol=1e-8)
    assert isclose(found.high, high, rel_tol=1e-8)


@given(MEASURED)
def test_means_are_least_squares_with_the_prior_as_data(
    measured: dict[int, list[float]],
) -> None:
    found = shrink(measured)
    if not found.within or not found.between:
        return
    names = list(measured)
    rows = [(name, value) for name, values in measured.items() for value in values]
    design = np.array([[float(name == other) for other in names] for name, _ in rows])
    prior = np.eye(len(names))
    system = np.vstack([design / sqrt(found.within), prior / sqrt(found.between)])
    wanted = np.array([value / sqrt(found.within) for _, value in rows] + [0.0] * len(names))

    means, *_ = np.linalg.lstsq(system, wanted, rcond=None)
    spread = np.sqrt(np.diag(np.linalg.inv(system.T @ system)))

    for place, name in enumerate(names):
        assert isclose(found.groups[name].value, means[place], rel_tol=1e-6, abs_tol=1e-9)
        assert isclose(found.groups[name].deviation, spread[place], rel_tol=1e-6)


@given(MEASURED)
def test_between_solves_its_equation_or_is_nought(measured: dict[int, list[float]]) -> None:
    found = shrink(measured)
    if not found.within:
        return

    def excess(between: float) -> float:
        parts = (
            one.mean**2 / (between + found.within / one.count) for one in found.groups.values()
        )
        return sum(parts) - len(found.groups)

    if found.between:
        assert isclose(excess(found.between), 0, abs_tol=1e-6)
    else:
        assert excess(0.0) <= 0


@given(MEASURED)
def test_a_shrunk_mean_lies_between_nought_and_the_mean(measured: dict[int, list[float]]) -> None:
    for one in shrink(measured).groups.values():
        assert 0 <= one.weight <= 1
        assert min(0.0, one.mean) <= one.value <= max(0.0, one.mean)
        assert one.low <= one.value <= one.high


def test_nothing_is_kept_if_no_group_shows_how_measurements_vary() -> None:
    found: Shrinkage[str] = shrink({"a": [0.5], "b": [-0.7]})

    assert [one.value for one in found.groups.values()] == [0, 0]


def test_more_measurements_keep_more_of_the_mean() -> None:
    weights = {name: one.weight for name, one in shrink(GROUPS).groups.items()}

    assert weights["d"] < weights["c"] < weights["b"] < weights["a"] < weights["e"]
