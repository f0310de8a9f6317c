"""Belief against pyAgrum, a general-purpose library of Bayesian networks, with exact inference."""

from __future__ import annotations

import random
import warnings
from collections.abc import Hashable, Iterator, Mapping, Sequence
from itertools import product
from math import prod
from typing import NamedTuple

import pytest

from kitwright.solve.belief import Network, Seen, Variable

with warnings.catch_warnings():
    # Its compiled part warns as it loads, and an error at that point ends the process.
    warnings.simplefilter("ignore", DeprecationWarning)
    import pyagrum

Spread = tuple[float, ...]


class Model(NamedTuple):
    priors: Mapping[str, float]
    bases: Mapping[str, Spread]
    links: Mapping[tuple[str, str], Spread]
    seen: Sequence[Seen[str]]

    def network(self) -> Network[str, str]:
        variables = {variable: Variable(base) for variable, base in self.bases.items()}
        return Network(self.priors, variables, self.links, most_faults=len(self.priors))

    def unseen(self) -> list[str]:
        return sorted({*self.bases} - {one.variable for one in self.seen})


def random_model(seed: int, faults: int, levels: Sequence[int], seen: int) -> Model:
    """Return a model with links to about half of the variables, powers and sure links among it."""
    chance = random.Random(seed)

    def spread(size: int) -> Spread:
        shares = [chance.choice((0, 1, 1, 1)) * chance.random() for _ in range(size - 1)]
        shares.insert(chance.randrange(size), chance.random() + 0.01)
        return tuple(share / sum(shares) for share in shares)

    names = [f"f{number}" for number in range(faults)]
    sizes = {f"v{number}": size for number, size in enumerate(levels)}
    return Model(
        {name: chance.uniform(0.01, 0.5) for name in names},
        {variable: _open(spread(size)) for variable, size in sizes.items()},
        {
            (name, variable): spread(size)
            for name in names
            for variable, size in sizes.items()
            if chance.random() < 0.5
        },
        [
            Seen(variable, chance.randrange(sizes[variable]), chance.choice((1.0, 1.0, 0.5)))
            for variable in chance.sample(sorted(sizes), seen)
        ],
    )


def _open(spread: Spread) -> Spread:
    """Return a distribution that leaves every level possible, so that no evidence clashes."""
    return tuple((chance + 0.01) / (1 + 0.01 * len(spread)) for chance in spread)


MODELS = {
    "one fault, one variable": Model(
        {"a": 0.1}, {"u": (0.9, 0.1)}, {("a", "u"): (0.2, 0.8)}, [Seen("u", 1)]
    ),
    "two faults that explain each other away": Model(
        {"a": 0.1, "b": 0.3},
        {"u": (0.95, 0.05), "v": (0.9, 0.1)},
        {("a", "u"): (0.1, 0.9), ("b", "u"): (0.3, 0.7), ("b", "v"): (0.2, 0.8)},
        [Seen("u", 1)],
    ),
    "five levels, one seen at half power": Model(
        {"a": 0.07, "b": 0.06, "c": 0.05},
        {"u": (0.45, 0.36, 0.15, 0.03, 0.01), "v": (0.93, 0.06, 0.01), "w": (0.96, 0.04)},
        {
            ("a", "u"): (0.05, 0.1, 0.2, 0.3, 0.35),
            ("b", "u"): (0.1, 0.15, 0.3, 0.25, 0.2),
            ("a", "v"): (0.1, 0.25, 0.65),
            ("c", "w"): (0.08, 0.92),
        },
        [Seen("u", 3, 0.5), Seen("v", 1)],
    ),
    "nothing seen": random_model(1, 4, (2, 3, 2), 0),
    "all seen": random_model(2, 5, (2, 2, 3, 5), 4),
    "more variables than faults": random_model(3, 3, (2, 3, 2, 2, 4, 2), 3),
    "more faults than variables": random_model(4, 9, (3, 2, 4), 1),
    "eight of each": random_model(5, 8, (2, 2, 5, 2, 3, 2, 2, 3), 5),
}


@pytest.fixture(params=MODELS)
def model(request: pytest.FixtureRequest) -> Model:
    return MODELS[request.param]


def chances(model: Model, variable: str, present: Sequence[str], power: float) -> list[float]:
    """Return the chance of each level, by the formula, as differences of its products."""
    causes = [model.bases[variable]]
    causes += [model.links[one, variable] for one in present if (one, variable) in model.links]
    raised = [[chance**power if chance else 0.0 for chance in cause] for cause in causes]
    causes = [tuple(chance / sum(cause) for chance in cause) for cause in raised]
    up_to = [prod(sum(cause[: level + 1]) for cause in causes) for level in range(len(causes[0]))]
    return [high - low for low, high in zip([0.0, *up_to], up_to, strict=False)]


def assignments(faults: Sequence[str]) -> Iterator[tuple[dict[str, int], list[str]]]:
    for vector in product((0, 1), repeat=len(faults)):
        there = dict(zip(faults, vector, strict=True))
        yield there, [fault for fault in faults if there[fault]]


def common(present: Sequence[str]) -> str:
    """Return a label that several sets of faults share: how many, and whether the first is in."""
    return f"{len(present)}{min(present, default='')[:2]}"


def inference(model: Model) -> pyagrum.LazyPropagation:
    """Return the library's engine for the model, told what was seen.

    Each table is written out for all combinations of the faults, flattened where it was seen with
    less than full power. A node `label` depends on all faults.
    """
    graph = pyagrum.BayesNet()
    faults = sorted(model.priors)
    for fault in faults:
        graph.add(pyagrum.LabelizedVariable(fault, fault, 2))
        graph.cpt(fault).fillWith([1 - model.priors[fault], model.priors[fault]])
    evidence = {}
    powers = {one.variable: one for one in model.seen}
    for variable, base in model.bases.items():
        one = powers.get(variable, Seen(variable, 0))
        graph.add(pyagrum.LabelizedVariable(variable, variable, len(base)))
        linked = [fault for fault in faults if (fault, variable) in model.links]
        for fault in linked:
            graph.addArc(fault, variable)
        for there, present in assignments(linked):
            graph.cpt(variable)[there] = chances(model, variable, present, float(one.power))
        if variable in powers:
            evidence[variable] = one.level
    labels = sorted({common(present) for _, present in assignments(faults)})
    graph.add(pyagrum.LabelizedVariable("label", "label", labels))
    for fault in faults:
        graph.addArc(fault, "label")
    for there, present in assignments(faults):
        graph.cpt("label")[there] = [float(label == common(present)) for label in labels]
    engine = pyagrum.LazyPropagation(graph)
    engine.setEvidence(evidence)
    return engine


def test_posterior_is_the_librarys(model: Model) -> None:
    engine = inference(model)
    engine.makeInference()

    belief = model.network().posterior(model.seen)

    assert belief.marginals == pytest.approx(
        {fault: engine.posterior(fault)[1] for fault in model.priors}, abs=1e-9
    )
    faults = sorted(model.priors)
    engine = inference(model)
    engine.addJointTarget({*faults})
    engine.makeInference()
    nothing = engine.jointPosterior({*faults})[dict.fromkeys(faults, 0)]
    assert belief.none == pytest.approx(nothing, abs=1e-9)


def test_factor_is_the_change_of_the_librarys_odds(model: Model) -> None:
    belief = model.network().posterior(model.seen)
    after = inference(model)
    after.makeInference()
    for one in model.seen:
        rest = [other for other in model.seen if other != one]
        before = inference(model._replace(seen=rest))
        before.makeInference()
        for fault in model.priors:
            absent, present = before.posterior(fault).tolist()
            absent_after, present_after = after.posterior(fault).tolist()

            factor = belief.factor(fault, one.variable)

            assert factor * present * absent_after == pytest.approx(
                absent * present_after, rel=1e-9, abs=1e-15
            )


def test_information_is_the_librarys_mutual_information(model: Model) -> None:
    def label(present: tuple[str, ...]) -> Hashable:
        return common(present)

    # The library's theory does not keep its engine alive; this does.
    engine = inference(model)
    groups = [[variable] for variable in model.unseen()]
    if len(groups) > 1:
        groups += [model.unseen()[:2], model.unseen()]

    bits = model.network().informations(model.seen, groups, label)

    for group, found in zip(groups, bits, strict=True):
        theory = pyagrum.InformationTheory(engine, ["label"], group)
        assert found == pytest.approx(theory.mutualInformationXY(), abs=1e-9)
