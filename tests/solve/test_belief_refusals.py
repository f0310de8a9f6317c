"""What belief refuses: networks that cannot be, and questions without an answer."""

from __future__ import annotations

from typing import Any

import pytest

from kitwright.solve.belief import (
    BeliefError,
    NegativeSize,
    Network,
    NotAProbability,
    PowerOutOfRange,
    Seen,
    SeenTwice,
    SumNotOne,
    TooManyCertain,
    TooManySets,
    UnknownFault,
    UnknownLevel,
    UnknownVariable,
    Variable,
    WrongLength,
)


def build(**changes: Any) -> Network[str, str]:
    parts: dict[str, Any] = {
        "priors": {"a": 0.1, "b": 0.2},
        "variables": {"u": Variable((0.9, 0.1)), "v": Variable((0.8, 0.2))},
        "links": {("a", "u"): (0.2, 0.8)},
        "most_faults": 2,
    }
    return Network(**(parts | changes))


@pytest.mark.parametrize(
    ("changes", "error", "message"),
    [
        ({"priors": {"a": 1.1}}, NotAProbability, "prior of 'a': 1.1 is not from 0 to 1"),
        ({"priors": {"a": float("nan")}}, NotAProbability, "prior of 'a': nan"),
        ({"priors": {"b": 0.1}}, UnknownFault, "not among the faults: 'a'"),
        ({"priors": {"a": 1, "b": 1}, "most_faults": 1}, TooManyCertain, "'a', 'b'"),
        ({"most_faults": -1}, NegativeSize, "at most -1 faults"),
        (
            {"priors": {f"a{n}": 0.1 for n in range(40)}, "most_faults": 5},
            TooManySets,
            "760099 sets",
        ),
        ({"variables": {"v": Variable((1.0,))}}, UnknownVariable, "not among the variables: 'u'"),
        ({"variables": {"u": Variable((0.9, 0.2))}}, SumNotOne, "base of 'u': the sum is 1.1"),
        ({"variables": {"u": Variable(())}}, SumNotOne, "base of 'u': the sum is 0"),
        ({"variables": {"u": Variable((1.5, -0.5))}}, NotAProbability, "base of 'u': 1.5"),
        ({"links": {("a", "u"): (0.2, 0.8 - 2e-9)}}, SumNotOne, "link of 'a' to 'u'"),
        ({"links": {("a", "u"): (0.2, 0.3, 0.5)}}, WrongLength, "3 numbers for 2 levels"),
    ],
)
def test_network_refuses_what_cannot_be(
    changes: dict[str, Any], error: type[BeliefError], message: str
) -> None:
    with pytest.raises(error, match=message):
        build(**changes)


def test_network_forgives_the_last_digits_of_a_sum() -> None:
    network = build(links={("a", "u"): (0.2, 0.8 - 5e-10)})

    assert network.posterior([]).marginals == pytest.approx({"a": 0.1, "b": 0.2})


@pytest.mark.parametrize(
    ("seen", "error", "message"),
    [
        ([Seen("x", 0)], UnknownVariable, "not among the variables: 'x'"),
        ([Seen("u", 2)], UnknownLevel, "'u' has levels 0 to 1, not 2"),
        ([Seen("u", -1)], UnknownLevel, "not -1"),
        ([Seen("u", 0, 1.5)], PowerOutOfRange, "with a power of 1.5"),
        ([Seen("u", 0, float("nan"))], PowerOutOfRange, "with a power of nan"),
        ([Seen("u", 0), Seen("v", 0), Seen("u", 1, 0)], SeenTwice, "more than once: 'u'"),
    ],
)
def test_posterior_refuses_what_cannot_be_seen(
    seen: list[Seen[str]], error: type[BeliefError], message: str
) -> None:
    with pytest.raises(error, match=message):
        build().posterior(seen)


def test_factors_refuse_unknown_names() -> None:
    belief = build().posterior([Seen("u", 1)])

    with pytest.raises(UnknownFault):
        belief.factor("x", "u")
    with pytest.raises(UnknownVariable):
        belief.factor("a", "x")
