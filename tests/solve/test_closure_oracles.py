"""The closure against independent oracles: every subset on small graphs, HiGHS on large ones."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import chain, combinations

import highspy
import pytest

from kitwright.solve.closure import (
    CyclicGraph,
    Graph,
    Node,
    Unreachable,
    least_closed_set,
    removal_order,
)

Needs = dict[str, Node[str]]


def random_graph(
    chance: random.Random, size: int, groups: int, branches: int
) -> tuple[Needs, dict[str, Fraction]]:
    """Return an acyclic graph whose items need only items with smaller numbers, and weights."""
    names = [f"n{number:02d}" for number in range(size)]
    owners = sorted(chance.sample(range(1, size), groups)) if groups else []
    nodes = {}
    for place, name in enumerate(names):
        before = names[:place]
        needs_all = tuple(each for each in before if chance.random() < 1.5 / size)
        needs_any: tuple[tuple[str, ...], ...] = ()
        if place in owners and len(before) >= 2:
            count = min(len(before), chance.randint(2, branches))
            needs_any = (tuple(chance.sample(before, count)),)
        nodes[name] = Node(needs_all=needs_all, needs_any=needs_any)
    weights = {name: Fraction(chance.randint(0, 12), chance.choice([1, 2, 5])) for name in names}
    return nodes, weights


def is_closed(nodes: Needs, items: frozenset[str]) -> bool:
    return all(
        items.issuperset(nodes[item].needs_all)
        and all(not items.isdisjoint(group) for group in nodes[item].needs_any)
        for item in items
    )


def subsets(items: Sequence[str]) -> Iterator[tuple[str, ...]]:
    return chain.from_iterable(combinations(items, size) for size in range(len(items) + 1))


@pytest.mark.parametrize("seed", range(250))
def test_least_closed_set_is_the_best_of_all_subsets(seed: int) -> None:
    chance = random.Random(seed)
    nodes, weights = random_graph(chance, chance.randint(4, 10), chance.randint(0, 3), 3)
    targets = chance.sample(sorted(nodes), chance.randint(1, 2))
    closed = [
        chosen
        for chosen in subsets(sorted(nodes))
        if set(targets) <= set(chosen) and is_closed(nodes, frozenset(chosen))
    ]
    best = min(closed, key=lambda each: (sum(weights[item] for item in each), len(each), each))

    found = least_closed_set(Graph(nodes), targets, weights)

    assert found.items == best
    assert found.weight == sum((weights[item] for item in best), start=Fraction(0))


def optimum(nodes: Needs, weights: dict[str, int], targets: Sequence[str]) -> int:
    """Return the weight that HiGHS finds, from the textbook integer program."""
    names = sorted(nodes)
    places = {name: place for place, name in enumerate(names)}
    model = highspy.Highs()
    model.setOptionValue("output_flag", False)
    model.setOptionValue("mip_rel_gap", 0.0)
    for name in names:
        model.addVar(1.0 if name in targets else 0.0, 1.0)
        model.changeColCost(places[name], float(weights[name]))
        model.changeColIntegrality(places[name], highspy.HighsVarType.kInteger)
    for name, node in nodes.items():
        for need in node.needs_all:
            model.addRow(0.0, highspy.kHighsInf, 2, [places[need], places[name]], [1.0, -1.0])
        for group in node.needs_any:
            columns = [*(places[one] for one in group), places[name]]
            factors = [1.0] * len(group) + [-1.0]
            model.addRow(0.0, highspy.kHighsInf, len(columns), columns, factors)
    model.run()
    return round(model.getObjectiveValue())


@pytest.mark.parametrize("seed", range(200))
def test_least_closed_set_weighs_what_highs_finds_on_80_nodes(seed: int) -> None:
    chance = random.Random(1000 + seed)
    nodes, _ = random_graph(chance, 80, 10, 4)
    weights = {name: chance.randint(1, 60) for name in nodes}
    targets = chance.sample(sorted(nodes)[40:], 6)

    found = least_closed_set(Graph(nodes), targets, weights)

    assert found.weight == optimum(nodes, weights, targets)
    assert is_closed(nodes, frozenset(found.items))


@pytest.mark.parametrize("seed", range(50))
def test_removal_order_puts_every_need_first(seed: int) -> None:
    chance = random.Random(seed)
    nodes, weights = random_graph(chance, 30, 4, 3)
    items = least_closed_set(Graph(nodes), [max(nodes)], weights).items

    order = removal_order(Graph(nodes), items)

    assert sorted(order) == sorted(items)
    for item in order:
        needs = {*nodes[item].needs_all, *chain.from_iterable(nodes[item].needs_any)}
        before = order[: order.index(item)]
        assert needs & set(items) <= set(before)


def node(*needs_all: str, any_of: tuple[str, ...] | None = None) -> Node[str]:
    return Node(needs_all=needs_all, needs_any=(any_of,) if any_of is not None else ())


def test_least_closed_set_names_what_blocks_an_unreachable_target() -> None:
    graph = Graph({"head": node("gear"), "gear": node("crane"), "plug": node()})

    with pytest.raises(Unreachable, match="crane") as caught:
        least_closed_set(graph, ["head", "plug"], dict.fromkeys(("head", "gear", "plug"), 1))

    assert caught.value.code == "unreachable"


def test_least_closed_set_takes_the_branch_that_is_left_when_one_is_forbidden() -> None:
    graph = Graph({"a": node(), "b": node(), "top": node(any_of=("a", "b"))})
    weights = {"a": 1, "b": 5, "top": 0}

    assert least_closed_set(graph, ["top"], weights).items == ("a", "top")
    assert least_closed_set(graph, ["top"], weights, without=["a"]).items == ("b", "top")
    assert least_closed_set(graph, ["top"], weights, within=["b", "top"]).items == ("b", "top")
    with pytest.raises(Unreachable):
        least_closed_set(graph, ["top"], weights, without=["a", "b"])


def test_graph_names_a_cycle() -> None:
    with pytest.raises(CyclicGraph, match="a"):
        Graph({"a": node("b"), "b": node(any_of=("a", "c")), "c": node()})
