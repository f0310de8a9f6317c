"""Belief over sets of faults, against the full joint distribution written out in plain Python."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Hashable, Mapping
from decimal import Decimal
from fractions import Fraction
from math import fsum, inf

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from tests.solve.belief_model import SMALL, Case, Faults, cases, possible_cases

from kitwright.solve.belief import (
    Impossible,
    Network,
    Seen,
    Variable,
)


def every_fault(faults: Faults) -> Hashable:
    return faults


@given(cases())
def test_posterior_is_the_full_joint(case: Case) -> None:
    model, seen = case
    weights = model.weights(seen)
    whole = fsum(weights.values())
    if not whole:
        with pytest.raises(Impossible):
            model.network().posterior(seen)
        return

    belief = model.network().posterior(seen)

    wanted = {faults: weight / whole for faults, weight in weights.items() if weight}
    assert belief.none == pytest.approx(wanted.get((), 0), abs=1e-9)
    assert belief.marginals == pytest.approx(
        {
            fault: fsum(chance for faults, chance in wanted.items() if fault in faults)
            for fault in model.priors
        },
        abs=1e-9,
    )


@given(cases(most=1))
def test_impossible_names_as_few_observations_as_clash(case: Case) -> None:
    model, seen = case
    if sum(model.weights(seen).values()):
        return

    with pytest.raises(Impossible) as raised:
        model.network().posterior(seen)

    clash = raised.value.seen
    assert set(clash) <= set(seen)
    assert not sum(model.weights(clash).values())
    for one in clash:
        assert sum(model.weights([other for other in clash if other != one]).values())


def test_impossible_leaves_out_what_does_not_clash() -> None:
    never, even = (1.0, 0.0), (0.5, 0.5)
    network = Network(
        {"a": 0.1, "b": 0.1},
        {"u": Variable(never), "v": Variable(never), "w": Variable(even)},
        {("a", "u"): even, ("a", "v"): (0.0, 1.0), ("b", "w"): even},
    )

    with pytest.raises(Impossible, match=r"together: \('u', 1\), \('v', 0\)$") as raised:
        network.posterior([Seen("w", 1), Seen("v", 0), Seen("u", 1)])

    assert raised.value.seen == (Seen("u", 1), Seen("v", 0))


def test_posterior_without_observations_is_the_prior() -> None:
    belief = SMALL.network().posterior([])

    assert belief.marginals == pytest.approx({"a": 0.1, "b": 0.2, "c": 0.05})
    assert belief.none == pytest.approx(0.9 * 0.8 * 0.95)


def test_posterior_of_a_certain_fault_keeps_it() -> None:
    model = SMALL._replace(
        priors={"a": Fraction(1), "b": Fraction("0.2"), "c": Fraction(0)}, most=2
    )

    belief = model.network().posterior([Seen("u", 0)])

    assert belief.marginals["a"] == 1
    assert belief.marginals["c"] == 0
    assert belief.none == 0


def test_posterior_is_exact_for_the_smallest_chances() -> None:
    network = Network(
        {"a": 0.5},
        {"u": Variable((1 - 1e-14, 1e-14))},
        {("a", "u"): (1 - 2e-14, 2e-14)},
        most_faults=1,
    )

    belief = network.posterior([Seen("u", 1)])

    assert belief.marginals["a"] == pytest.approx(0.75, abs=1e-9)


def test_posterior_bears_more_evidence_than_a_float_can_hold() -> None:
    variables = {f"v{number}": Variable((1 - 1e-12, 1e-12)) for number in range(60)}
    links = {("a", variable): (1 - 1e-12, 1e-12) for variable in variables}
    network = Network({"a": 0.5, "b": 0.5}, variables, links, most_faults=2)

    belief = network.posterior([Seen(variable, 1) for variable in variables])

    assert belief.marginals["b"] == pytest.approx(0.5)
    assert belief.marginals["a"] == pytest.approx(1.0)


@given(possible_cases())
def test_posterior_does_not_hang_on_the_order_of_observations(
    case: Case,
) -> None:
    model, seen = case

    there, back = model.network().posterior(seen), model.network().posterior(seen[::-1])

    assert there.marginals == back.marginals
    assert there.none == back.none


@given(possible_cases(), st.integers(0, 1))
def test_a_variable_without_links_changes_nothing(case: Case, level: int) -> None:
    model, seen = case
    network = model.network()
    wider = model._replace(bases={**model.bases, "x": (Fraction("0.3"), Fraction("0.7"))}).network()
    group = sorted({*model.bases} - {one.variable for one in seen})

    belief = wider.posterior([*seen, Seen("x", level)])

    assert belief.marginals == pytest.approx(network.posterior(seen).marginals, abs=1e-12)
    assert all(belief.factor(fault, "x") == pytest.approx(1) for fault in _open(belief.marginals))
    assert wider.information(seen, [*group, "x"], every_fault) == pytest.approx(
        network.information(seen, group, every_fault), abs=1e-12
    )
    assert wider.information(seen, ["x"], every_fault) == 0


def _open(marginals: Mapping[str, float]) -> list[str]:
    return [fault for fault, chance in marginals.items() if 0 < chance < 1]


@given(possible_cases())
def test_an_observation_without_power_is_none(case: Case) -> None:
    model, seen = case
    network = model.network()
    rest = sorted({*model.bases} - {one.variable for one in seen})
    idle = [Seen(variable, 0, 0) for variable in rest]

    belief, plain = network.posterior([*seen, *idle]), network.posterior(seen)

    assert belief.marginals == plain.marginals
    assert all(belief.factor(fault, one.variable) == 1 for fault in model.priors for one in idle)
    assert network.information([*seen, *idle], rest, every_fault) == network.information(
        seen, rest, every_fault
    )


@given(possible_cases())
def test_other_names_change_nothing_but_names(case: Case) -> None:
    model, seen = case
    # The new names sort the other way round.
    faults = {fault: -place for place, fault in enumerate(sorted(model.priors))}
    variables = {variable: (9 - place,) for place, variable in enumerate(sorted(model.bases))}
    renamed = Network(
        {faults[fault]: prior for fault, prior in model.priors.items()},
        {variables[variable]: Variable(base) for variable, base in model.bases.items()},
        {
            (faults[fault], variables[variable]): link
            for (fault, variable), link in model.links.items()
        },
        most_faults=model.most,
    )
    group = sorted({*model.bases} - {one.variable for one in seen})
    same = [Seen(variables[one.variable], one.level, one.power) for one in seen]

    belief = model.network().posterior(seen)

    assert {faults[fault]: chance for fault, chance in belief.marginals.items()} == pytest.approx(
        renamed.posterior(same).marginals, abs=1e-12
    )
    assert renamed.information(
        same, [variables[variable] for variable in group], len
    ) == pytest.approx(model.network().information(seen, group, len), abs=1e-12)


@given(possible_cases())
def test_factor_is_by_how_much_the_observation_counts_given_the_rest(
    case: Case,
) -> None:
    model, seen = case
    belief = model.network().posterior(seen)
    after = model.weights(seen)
    for one in seen:
        before = model.weights([other for other in seen if other != one])
        for fault in model.priors:
            with_it, without = _halves(before, fault)
            with_both, without_but_seen = _halves(after, fault)

            factor = belief.factor(fault, one.variable)

            if not with_it or not without:
                assert factor == 1
            elif not without_but_seen:
                assert factor == inf
            else:
                wanted = (with_both / with_it) / (without_but_seen / without)
                assert factor == pytest.approx(wanted, rel=1e-9)


def _halves(weights: Mapping[Faults, float], fault: str) -> tuple[float, float]:
    return (
        fsum(weight for faults, weight in weights.items() if fault in faults),
        fsum(weight for faults, weight in weights.items() if fault not in faults),
    )


@given(possible_cases())
def test_factor_turns_the_odds_without_into_the_odds_with(
    case: Case,
) -> None:
    model, seen = case
    assume(seen)
    network = model.network()
    belief, before = network.posterior(seen), network.posterior(seen[1:])
    for fault in model.priors:
        chance, chance_before = belief.marginals[fault], before.marginals[fault]
        factor = belief.factor(fault, seen[0].variable)
        if factor != inf:
            odds = chance_before * factor
            assert chance == pytest.approx(odds / (odds + 1 - chance_before), abs=1e-9)


def test_factor_counts_for_less_where_another_fault_explains_the_observation() -> None:
    network = SMALL.network()

    alone = network.posterior([Seen("u", 1)]).factor("b", "u")
    beside = network.posterior([Seen("u", 1), Seen("v", 2)]).factor("b", "u")

    assert 1 < beside < alone


def test_factors_of_what_was_not_seen_are_one() -> None:
    assert SMALL.network().posterior([Seen("u", 1)]).factor("a", "v") == 1


def test_nothing_speaks_against_what_is_undoubted() -> None:
    network = Network(
        {"a": 0.1, "b": 0.1},
        {
            "look": Variable((0.98, 0.02)),
            "gauge": Variable((0.6, 0.3, 0.1)),
            "ear": Variable((0.9, 0.1)),
        },
        {
            ("a", "look"): (0.1, 0.9),
            ("a", "gauge"): (0.1, 0.2, 0.7),
            ("a", "ear"): (0.2, 0.8),
            ("b", "gauge"): (0.2, 0.3, 0.5),
        },
    )
    looked = [Seen("look", 1)]
    shown = {"a": ["look"]}
    for good in ([Seen("gauge", 0)], [Seen("gauge", 1), Seen("ear", 0)], [Seen("ear", 0)]):
        doubted = network.posterior([*looked, *good])
        belief = network.posterior([*looked, *good], shown)

        assert belief.marginals["a"] >= network.posterior(looked).marginals["a"] - 1e-12
        assert doubted.marginals["a"] < belief.marginals["a"]
    # What speaks for it still does, and other faults are weighed as ever.
    bad = [*looked, Seen("gauge", 2), Seen("ear", 1)]
    assert network.posterior(bad, shown).marginals == network.posterior(bad).marginals


def test_posterior_weighs_more_faults_at_once_than_three() -> None:
    """Five faults with a sure sign each are all there; so few sets of three could not say so."""
    names = "abcde"
    network = Network(
        dict.fromkeys(names, 0.05),
        {**{name: Variable((0.99, 0.01)) for name in names}, "all": Variable((0.9, 0.1))},
        {
            **{(name, name): (0.05, 0.95) for name in names},
            **{(name, "all"): (0.5, 0.5) for name in names},
        },
    )

    belief = network.posterior([*(Seen(name, 1) for name in names), Seen("all", 1)])

    assert min(belief.marginals.values()) > 0.8


def test_network_takes_decimals_and_keeps_ids_in_order() -> None:
    network = Network(
        {"b": Decimal("0.1"), "a": Decimal("0.2")},
        {"v": Variable((Decimal("0.95"), Decimal("0.05"))), "u": Variable((Decimal(1),))},
        {("a", "v"): (Decimal("0.1"), Decimal("0.9"))},
        most_faults=2,
    )

    assert network.faults == ("a", "b")
    assert network.variables == ("u", "v")
    assert network.posterior([Seen("v", 1, Decimal("0.5"))]).marginals["a"] > 0.2


def test_belief_loads_without_numpy() -> None:
    told = "import sys, kitwright.solve.belief; sys.exit('numpy' in sys.modules)"

    assert subprocess.run([sys.executable, "-c", told], check=False).returncode == 0
