"""Expected information about fault sets, against beliefs after every outcome."""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from itertools import combinations, pairwise, product
from math import fsum, log2, prod

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.solve.belief_model import SMALL, Case, Faults, Model, possible_cases

from kitwright.solve.belief import (
    AlreadySeen,
    Network,
    Seen,
    TooManyOutcomes,
    UnknownVariable,
    Variable,
)

Label = Callable[[Faults], Hashable]


def entropy(chances: Iterable[float]) -> float:
    return -fsum(chance * log2(chance) for chance in chances if chance > 0)


def spread_of(label: Label, chances: Mapping[Faults, float]) -> float:
    """Return the entropy of the label in bits; the chances may be weights."""
    whole, masses = fsum(chances.values()), defaultdict[Hashable, float](float)
    for faults, chance in chances.items():
        masses[label(faults)] += chance / whole
    return entropy(masses.values())


def brute_information(
    model: Model, seen: Sequence[Seen[str]], group: Sequence[str], label: Label
) -> float:
    """Return the information as what each outcome leaves, each by a belief of its own."""
    weights = model.weights(seen)
    whole = fsum(weights.values())
    left = 0.0
    for levels in product(*(range(len(model.bases[variable])) for variable in group)):
        more = list(zip(group, levels, strict=True))
        after = {
            faults: weight
            * prod(float(model.levels(variable, faults)[level]) for variable, level in more)
            for faults, weight in weights.items()
        }
        if any(after.values()):
            left += fsum(after.values()) / whole * spread_of(label, after)
    return spread_of(label, weights) - left


def every_fault(faults: Faults) -> Hashable:
    return faults


def first_fault(faults: Faults) -> Hashable:
    return faults[:1]


def number_of_faults(faults: Faults) -> Hashable:
    return len(faults)


LABELS = st.sampled_from([every_fault, first_fault, number_of_faults])


@given(possible_cases(), LABELS, st.data())
def test_information_is_what_the_outcomes_are_expected_to_settle(
    case: Case, label: Label, data: st.DataObject
) -> None:
    model, seen = case
    rest = sorted({*model.bases} - {one.variable for one in seen})
    group = data.draw(st.lists(st.sampled_from(rest), unique=True)) if rest else []

    bits = model.network().information(seen, group, label)

    assert bits == pytest.approx(brute_information(model, seen, group, label), abs=1e-9)


@given(possible_cases(), LABELS)
def test_informations_are_those_of_each_group_and_grow_with_it(case: Case, label: Label) -> None:
    model, seen = case
    rest = sorted({*model.bases} - {one.variable for one in seen})
    groups = [rest[:size] for size in range(len(rest) + 1)]
    network = model.network()

    bits = network.informations(seen, groups, label)

    assert bits == tuple(network.information(seen, group, label) for group in groups)
    assert bits[0] == 0
    assert all(less <= more + 1e-12 for less, more in pairwise(bits))
    assert bits[-1] <= spread_of(label, model.weights(seen)) + 1e-9


def test_information_takes_a_variable_given_twice_once() -> None:
    network = SMALL.network()

    assert network.information([], ["u", "u"], every_fault) == network.information(
        [], ["u"], every_fault
    )


def test_information_of_sets_without_a_choice_of_label_is_none() -> None:
    assert SMALL.network().information([], ["u", "v"], lambda _: "same") == 0


def test_information_is_exact_for_many_labels_and_outcomes() -> None:
    chance = random.Random(20270301)

    def spread(levels: int) -> tuple[float, ...]:
        shares = [chance.random() + 0.01 for _ in range(levels)]
        return tuple(share / sum(shares) for share in shares)

    sizes = (5, 2, 2, 2, 2, 2, 2)
    faults = range(18)
    bases = [spread(levels) for levels in sizes]
    links = {
        (fault, variable): spread(levels)
        for variable, levels in enumerate(sizes)
        for fault in sorted(chance.sample(range(12), 4))
    }
    network = Network(
        dict.fromkeys(faults, 0.07),
        {variable: Variable(base) for variable, base in enumerate(bases)},
        links,
        most_faults=3,
    )

    def label(present: tuple[int, ...]) -> Hashable:
        return frozenset(fault // 2 for fault in present)

    # Written out: the chance of each label with each outcome, from the formula of the levels.
    together = defaultdict[Hashable, list[float]](lambda: [0.0] * prod(sizes))
    for size in range(4):
        for present in combinations(faults, size):
            tables = []
            for variable, base in enumerate(bases):
                causes = [
                    base,
                    *(links[one, variable] for one in present if (one, variable) in links),
                ]
                up_to = [prod(sum(cause[: k + 1]) for cause in causes) for k in range(len(base))]
                tables.append([high - low for low, high in zip([0, *up_to], up_to, strict=False)])
            weight = 0.07**size * 0.93 ** (18 - size)
            row = together[label(present)]
            for place, levels in enumerate(product(*tables)):
                row[place] += weight * prod(levels)
    whole = fsum(map(fsum, together.values()))
    rows = [[chance / whole for chance in row] for row in together.values()]
    wanted = (
        entropy(map(fsum, rows))
        + entropy(map(fsum, zip(*rows, strict=True)))
        - entropy(chance for row in rows for chance in row)
    )

    assert network.information([], range(7), label) == pytest.approx(wanted, abs=1e-9)


def test_information_refuses_groups_that_cannot_be_asked_for() -> None:
    network = SMALL.network()

    with pytest.raises(UnknownVariable, match="'x'"):
        network.information([], ["u", "x"], every_fault)
    with pytest.raises(AlreadySeen, match="'u'"):
        network.information([Seen("u", 0)], ["u", "v"], every_fault)


def test_information_refuses_too_many_outcomes_that_matter() -> None:
    many = {f"v{number:02}": Variable((0.9, 0.1)) for number in range(13)}
    links = {("a", variable): (0.5, 0.5) for variable in many}
    idle = {**many, "x": Variable((0.5, 0.5))}
    network = Network({"a": 0.1}, idle, links, most_faults=1)

    with pytest.raises(TooManyOutcomes, match="8192 joint outcomes"):
        network.information([], many, every_fault)
    assert 0 < network.information([], [*[*many][1:], "x"], every_fault) < 0.47
