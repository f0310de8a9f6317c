"""Least-weight closed sets against enumeration of all subsets and against an integer program."""

from __future__ import annotations

import random
from collections.abc import Collection, Iterator, Mapping, Sequence
from fractions import Fraction
from graphlib import CycleError, TopologicalSorter
from itertools import combinations

import highspy
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitwright.solve.closure import (
    ClosedSet,
    CyclicGraph,
    Graph,
    NegativeWeight,
    Node,
    UnknownItem,
    Unreachable,
    WeightMissing,
    dominated_branches,
    least_closed_set,
    removal_order,
)

Nodes = dict[str, Node[str]]


def is_closed(nodes: Mapping[str, Node[str]], items: Collection[str]) -> bool:
    return all(
        item in nodes
        and all(need in items for need in nodes[item].needs_all)
        and all(any(branch in items for branch in group) for group in nodes[item].needs_any)
        for item in items
    )


def closed_sets(nodes: Nodes) -> Iterator[tuple[str, ...]]:
    """Yield all closed sets, the smaller ones first, alike ones in ascending order."""
    for size in range(len(nodes) + 1):
        for items in combinations(sorted(nodes), size):
            if is_closed(nodes, set(items)):
                yield items


def best_of_all(
    nodes: Nodes, targets: Collection[str], weights: Mapping[str, Fraction | int]
) -> ClosedSet[str] | None:
    """Return the least closed set by trying them all; None where there is none."""
    sets = (items for items in closed_sets(nodes) if set(targets) <= set(items))
    weighed = [(sum((Fraction(weights[i]) for i in s), Fraction(0)), len(s), s) for s in sets]
    if not weighed:
        return None
    weight, _, items = min(weighed)
    return ClosedSet(items, weight)


def random_nodes(
    chance: random.Random, count: int, groups: int, *, needs: Sequence[int], absent: float = 0.0
) -> Nodes:
    """Return an acyclic graph whose order has nothing to do with the order of its names."""
    names = [f"i{number:02}" for number in range(count)]
    chance.shuffle(names)
    owners = chance.sample(range(1, count), min(groups, count - 1))
    nodes = {}
    for place, name in enumerate(names):
        earlier = names[:place]
        all_of = chance.sample(earlier, min(place, chance.choice(needs)))
        if chance.random() < absent:
            all_of.append(f"x{chance.randrange(3)}")
        any_of = []
        for _ in range(owners.count(place)):
            branches = chance.sample(earlier, min(place, chance.randint(2, 4)))
            if chance.random() < absent:
                branches[0] = f"x{chance.randrange(3)}"
            any_of.append(tuple(branches))
        nodes[name] = Node(tuple(all_of), tuple(any_of))
    return nodes


@st.composite
def small_graphs(draw: st.DrawFn) -> Nodes:
    """Draw acyclic graphs of up to seven items; `x` is never in the graph."""
    names = draw(st.permutations("abcdefg"[: draw(st.integers(1, 7))]))
    nodes = {}
    for place, name in enumerate(names):
        earlier = st.sampled_from([*names[:place], "x"] if place else ["x"])
        all_of = draw(st.lists(st.sampled_from(names[:place]), max_size=2)) if place else []
        if draw(st.integers(0, 9)) == 0:
            all_of.append("x")
        groups = draw(st.lists(st.lists(earlier, max_size=3).map(tuple), max_size=2))
        nodes[name] = Node(tuple(all_of), tuple(groups))
    return nodes


weight_of_few = st.sampled_from([0, 1, 1, 2, Fraction(1, 2), Fraction(1, 3), Fraction(5, 6)])


@given(
    nodes=small_graphs(),
    weights=st.fixed_dictionaries(dict.fromkeys("abcdefg", weight_of_few)),
    targets=st.sets(st.sampled_from("abcdefg"), max_size=3),
    without=st.sets(st.sampled_from("abcdefgx"), max_size=1),
    within=st.none() | st.sets(st.sampled_from("abcdefgx"), min_size=3),
)
def test_least_closed_set_is_the_best_of_all_subsets(
    nodes: Nodes,
    weights: dict[str, Fraction | int],
    targets: set[str],
    without: set[str],
    within: set[str] | None,
) -> None:
    allowed = {
        name: node
        for name, node in nodes.items()
        if name not in without and (within is None or name in within)
    }
    best = best_of_all(allowed, targets, weights)

    if best is None:
        with pytest.raises(Unreachable) as caught:
            least_closed_set(Graph(nodes), targets, weights, within=within, without=without)
        possible = {item for items in closed_sets(allowed) for item in items}
        assert caught.value.targets == tuple(sorted(targets - possible))
        assert caught.value.because.keys() == targets - possible
        for target, obstacle in caught.value.because.items():
            item = obstacle.item
            assert item == target or item in nodes[obstacle.needed_by].needs_all
            match obstacle.reason:
                case "missing":
                    assert item not in nodes
                case "forbidden":
                    assert item in without
                case "outside":
                    assert within is not None
                    assert item not in within
                case "no-branch":
                    assert obstacle.group in nodes[item].needs_any
                    assert not possible.intersection(obstacle.group)
    else:
        found = least_closed_set(Graph(nodes), targets, weights, within=within, without=without)
        assert found == best


def test_least_closed_set_agrees_with_enumeration_on_hundreds_of_graphs() -> None:
    tied = 0
    for seed in range(400):
        chance = random.Random(seed)
        nodes = random_nodes(chance, chance.randint(2, 10), 3, needs=[0, 0, 1, 1, 2])
        weights = {item: Fraction(chance.randint(0, 3), chance.choice([1, 2])) for item in nodes}
        targets = chance.sample(sorted(nodes), min(len(nodes), 2))
        best = best_of_all(nodes, targets, weights)
        assert best is not None
        tied += (
            sum(
                set(targets) <= set(items) and sum(weights[item] for item in items) == best.weight
                for items in closed_sets(nodes)
            )
            > 1
        )

        assert least_closed_set(Graph(nodes), targets, weights) == best, seed

    assert tied > 50, "too few graphs whose least weight several sets share"


def test_least_closed_set_agrees_with_enumeration_on_twelve_items() -> None:
    for seed in range(25):
        chance = random.Random(seed)
        nodes = random_nodes(chance, 12, 6, needs=[0, 0, 0, 1])
        weights = {item: chance.randint(0, 4) for item in nodes}
        targets = sorted(item for item in nodes if nodes[item].needs_any)

        assert least_closed_set(Graph(nodes), targets, weights) == best_of_all(
            nodes, targets, weights
        ), seed


def program_optimum(nodes: Nodes, targets: Collection[str], weights: Mapping[str, int]) -> int:
    """Return the least weight by an integer program with a binary variable for each item."""
    column = {item: number for number, item in enumerate(nodes)}
    solver = highspy.Highs()
    solver.silent()
    solver.setOptionValue("threads", 1)
    solver.setOptionValue("mip_rel_gap", 0.0)
    for item in nodes:
        solver.addVar(float(item in targets), 1.0)
        solver.changeColCost(column[item], float(weights[item]))
        solver.changeColIntegrality(column[item], highspy.HighsVarType.kInteger)
    for item, node in nodes.items():
        for group in [*((need,) for need in node.needs_all), *node.needs_any]:
            row = [column[item], *(column[branch] for branch in group)]
            solver.addRow(0.0, highspy.kHighsInf, len(row), row, [-1.0] + [1.0] * (len(row) - 1))
    solver.run()
    assert solver.getModelStatus() == highspy.HighsModelStatus.kOptimal
    return round(solver.getInfo().objective_function_value)


@pytest.mark.parametrize(
    ("needs", "groups", "graphs"),
    [([0, 1, 1, 2], 10, 120), ([0, 0, 0, 1], 10, 120), ([0, 0, 0, 1], 40, 20)],
    ids=["deep", "flat", "many choices"],
)
def test_least_closed_set_weighs_what_an_integer_program_finds(
    needs: list[int], groups: int, graphs: int
) -> None:
    for seed in range(graphs):
        chance = random.Random(seed)
        nodes = random_nodes(chance, chance.randint(50, 80), groups, needs=needs)
        weights = {item: chance.randint(0, chance.choice([2, 40])) for item in nodes}
        owners = [item for item in sorted(nodes) if nodes[item].needs_any]
        targets = chance.sample(owners, chance.randint(3, len(owners)))

        found = least_closed_set(Graph(nodes), targets, weights)

        assert found.weight == program_optimum(nodes, targets, weights), seed
        assert found.weight == sum(weights[item] for item in found.items)
        assert set(targets) <= set(found.items)
        assert is_closed(nodes, set(found.items))


def test_least_closed_set_takes_the_lighter_branch() -> None:
    graph = Graph(
        {
            "springs": Node((), (("head", "air"),)),
            "head": Node(("cover",)),
            "air": Node(),
            "cover": Node(),
        }
    )

    light = least_closed_set(graph, ["springs"], {"springs": 5, "head": 1, "air": 4, "cover": 2})
    heavy = least_closed_set(graph, ["springs"], {"springs": 5, "head": 1, "air": 2, "cover": 2})

    assert light == ClosedSet(("cover", "head", "springs"), Fraction(8))
    assert heavy == ClosedSet(("air", "springs"), Fraction(7))


def test_least_closed_set_shares_what_branches_have_in_common() -> None:
    graph = Graph(
        {
            "left": Node((), (("near", "far"),)),
            "right": Node((), (("other", "far"),)),
            **{leaf: Node[str]() for leaf in ("near", "far", "other")},
        }
    )
    weights = {"left": 0, "right": 0, "near": 3, "far": 5, "other": 3}

    assert least_closed_set(graph, ["left"], weights).items == ("left", "near")
    assert least_closed_set(graph, ["left", "right"], weights).items == ("far", "left", "right")


def test_least_closed_set_prefers_fewer_items_then_smaller_ones() -> None:
    leaves = {leaf: Node[str]() for leaf in "bcde"}
    fewer = Graph({"z": Node((), (("a", "e"),)), "a": Node(("b",)), **leaves})
    smaller = Graph({"z": Node((), (("e", "c"), ("d", "b"))), **leaves})
    paired = Graph({**leaves, "z": Node((), (("b", "a"),)), "a": Node(("d",)), "b": Node(("c",))})
    weights = {**dict.fromkeys("acz", 1), "b": 0, "d": 0, "e": 1}

    assert least_closed_set(fewer, ["z"], weights).items == ("e", "z")
    assert least_closed_set(smaller, ["z"], weights).items == ("b", "c", "z")
    assert least_closed_set(paired, ["z"], weights).items == ("a", "d", "z")


def test_least_closed_set_of_nothing_is_empty() -> None:
    assert least_closed_set(Graph[str]({}), [], {}) == ClosedSet((), Fraction(0))
    assert least_closed_set(Graph({"a": Node[str]()}), [], {}) == ClosedSet((), Fraction(0))


def test_least_closed_set_adds_fractions_exactly() -> None:
    graph = Graph({"a": Node(("b",)), "b": Node(("c",)), "c": Node[str]()})
    weights: dict[str, Fraction | int] = {"a": Fraction(1, 3), "b": Fraction(1, 7), "c": 2}

    assert least_closed_set(graph, ["a"], weights).weight == Fraction(52, 21)


def test_least_closed_set_orders_items_of_any_kind() -> None:
    graph = Graph({(1, 2): Node(((0, 9),)), (0, 9): Node((), (((0, 5), (0, 4)),)), (0, 4): Node()})

    found = least_closed_set(graph, [(1, 2)], {(1, 2): 1, (0, 9): 1, (0, 4): 1})

    assert found.items == ((0, 4), (0, 9), (1, 2))


def test_least_closed_set_leaves_the_graph_as_it_was() -> None:
    chance = random.Random(7)
    nodes = random_nodes(chance, 40, 8, needs=[0, 1])
    graph = Graph(nodes)
    asked = [
        ([chance.choice(sorted(nodes)) for _ in range(5)], {i: chance.randint(0, 9) for i in nodes})
        for _ in range(20)
    ]

    again = [least_closed_set(graph, targets, weights) for targets, weights in asked]

    backwards = dict(reversed(nodes.items()))
    assert again == [least_closed_set(Graph(backwards), *each) for each in asked]


def test_least_closed_set_names_what_blocks_each_target() -> None:
    graph = Graph(
        {
            "pump": Node(("strap", "shroud", "cover")),
            "shroud": Node(("grille",)),
            "springs": Node(("cover",), (("air", "head"),)),
            "head": Node(),
            "cover": Node(),
        }
    )
    weights = dict.fromkeys(graph.items, 1)

    with pytest.raises(Unreachable) as caught:
        least_closed_set(graph, ["springs", "pump", "fan", "cover"], weights, without=["head"])
    with pytest.raises(Unreachable) as outside:
        least_closed_set(graph, ["springs"], weights, within=["springs", "head"])
    with pytest.raises(Unreachable) as forbidden:
        least_closed_set(graph, ["cover"], weights, without=["cover"])

    assert caught.value.code == "unreachable"
    assert caught.value.targets == ("fan", "pump", "springs")
    assert str(caught.value) == (
        "out of reach: 'fan': 'fan' is missing; "
        "'pump': 'grille' is missing, needed by 'shroud'; "
        "'springs': 'springs' has no branch of ('air', 'head')"
    )
    assert str(outside.value) == (
        "out of reach: 'springs': 'cover' is outside, needed by 'springs'"
    )
    assert forbidden.value.because["cover"].reason == "forbidden"
    assert forbidden.value.because["cover"].needed_by is None


def test_least_closed_set_wants_weights_of_what_may_come_in_alone() -> None:
    graph = Graph(
        {
            "a": Node((), (("b", "c"),)),
            "b": Node(("d",)),
            "c": Node(),
            "d": Node(),
            "e": Node(),
        }
    )

    assert least_closed_set(graph, ["a"], {"a": 1, "c": 1}, without=["d"]).items == ("a", "c")
    with pytest.raises(WeightMissing) as missing:
        least_closed_set(graph, ["a"], {"a": 1, "c": 1})
    with pytest.raises(NegativeWeight) as negative:
        least_closed_set(graph, ["a"], {"a": 1, "b": -2, "c": Fraction(-1, 2), "d": 0, "e": -1})

    assert missing.value.items == ("b", "d")
    assert str(missing.value) == "no weight for 'b', 'd'"
    assert negative.value.items == ("b", "c")
    assert isinstance(negative.value, ValueError)


@pytest.mark.parametrize(
    ("nodes", "circle"),
    [
        ({"a": Node(("a",))}, ("a",)),
        ({"b": Node(("c",)), "c": Node(("b",)), "a": Node(("c",))}, ("b", "c")),
        (
            {"d": Node((), (("a", "b"),)), "b": Node(("c",)), "c": Node(("d",)), "a": Node()},
            ("b", "c", "d"),
        ),
    ],
    ids=["itself", "all", "all and any"],
)
def test_graph_names_a_cycle(nodes: Nodes, circle: tuple[str, ...]) -> None:
    with pytest.raises(CyclicGraph) as caught:
        Graph(nodes)

    assert caught.value.items == circle
    assert str(caught.value) == "needs run in a circle: " + " -> ".join(
        repr(item) for item in (*circle, circle[0])
    )


@given(
    edges=st.lists(
        st.tuples(st.sampled_from("abcdef"), st.sampled_from("abcdef"), st.booleans()), max_size=9
    )
)
def test_graph_is_refused_only_where_needs_run_in_a_circle(
    edges: list[tuple[str, str, bool]],
) -> None:
    nodes = {
        item: Node(
            tuple(need for owner, need, is_choice in edges if owner == item and not is_choice),
            tuple((need, "x") for owner, need, is_choice in edges if owner == item and is_choice),
        )
        for item in "abcdef"
    }
    needs = {item: {need for owner, need, _ in edges if owner == item} for item in nodes}
    try:
        TopologicalSorter(needs).prepare()
    except CycleError:
        with pytest.raises(CyclicGraph) as caught:
            Graph(nodes)
        circle = caught.value.items
        assert len(set(circle)) == len(circle)
        assert circle[0] == min(circle)
        assert all(
            need in needs[item] for item, need in zip(circle, (*circle[1:], circle[0]), strict=True)
        )
    else:
        assert Graph(nodes).items == tuple("abcdef")


@given(nodes=small_graphs())
def test_required_follows_and_edges_alone(nodes: Nodes) -> None:
    def follow(item: str) -> set[str]:
        return {item}.union(*(follow(need) for need in nodes[item].needs_all if need in nodes))

    graph = Graph(nodes)

    assert {item: graph.required(item) for item in nodes} == {item: follow(item) for item in nodes}
    assert {item: graph.has_choice(item) for item in nodes} == {
        item: any(nodes[need].needs_any for need in follow(item)) for item in nodes
    }


@pytest.mark.parametrize("ask", [Graph.required, Graph.has_choice])
def test_graph_knows_no_item_that_it_lacks(ask: object) -> None:
    graph = Graph({"a": Node[str]()})

    with pytest.raises(UnknownItem) as caught:
        ask(graph, "b")  # type: ignore[operator]

    assert caught.value.items == ("b",)
    assert str(caught.value) == "not in the graph: 'b'"


@given(nodes=small_graphs(), given_items=st.sets(st.sampled_from("abcdefg")))
def test_removal_order_takes_the_smallest_item_that_is_free(
    nodes: Nodes, given_items: set[str]
) -> None:
    left = given_items & nodes.keys()
    expected = []
    while left:
        item = min(
            item
            for item in left
            if left.isdisjoint(nodes[item].needs_all)
            and all(left.isdisjoint(group) for group in nodes[item].needs_any)
        )
        expected.append(item)
        left.remove(item)

    assert removal_order(Graph(nodes), given_items & nodes.keys()) == tuple(expected)


def test_removal_order_puts_every_branch_that_is_given_first() -> None:
    graph = Graph({"a": Node((), (("c", "b"),)), "b": Node(("d",)), "c": Node(), "d": Node()})

    assert removal_order(graph, ["a", "b", "d", "b"]) == ("d", "b", "a")
    assert removal_order(graph, ["d", "c", "b", "a"]) == ("c", "d", "b", "a")
    with pytest.raises(UnknownItem) as caught:
        removal_order(graph, ["z", "a", "y"])
    assert caught.value.items == ("y", "z")


def test_removal_order_of_a_closed_set_has_each_item_after_its_needs() -> None:
    for seed in range(50):
        chance = random.Random(seed)
        nodes = random_nodes(chance, 60, 10, needs=[0, 1, 2])
        graph = Graph(nodes)
        items = least_closed_set(
            graph, chance.sample(sorted(nodes), 6), {item: chance.randint(0, 9) for item in nodes}
        ).items

        order = removal_order(graph, items)

        assert sorted(order) == list(items)
        for place, item in enumerate(order):
            before = set(order[:place])
            assert before.issuperset(nodes[item].needs_all)
            assert all(before.intersection(group) for group in nodes[item].needs_any)
            assert not any(nodes[item].needs_all.count(later) for later in order[place:])


def test_dominated_branches_names_what_contains_another_branch() -> None:
    graph = Graph(
        {
            "job": Node((), (("near", "far"), ("deep", "far", "near", "absent"))),
            "near": Node(),
            "far": Node(("middle",)),
            "middle": Node(("near",)),
            "deep": Node((), (("near",),)),
        }
    )

    assert dominated_branches(graph) == (("job", 0, "far", "near"), ("job", 1, "far", "near"))


@given(
    nodes=small_graphs(),
    weights=st.fixed_dictionaries(dict.fromkeys("abcdefg", weight_of_few)),
)
def test_dominated_branches_can_go_without_loss(
    nodes: Nodes, weights: dict[str, Fraction | int]
) -> None:
    found = dominated_branches(Graph(nodes))

    beaten = {(item, number, branch) for item, number, branch, _ in found}
    without = {
        item: Node(
            node.needs_all,
            tuple(
                tuple(branch for branch in group if (item, number, branch) not in beaten)
                for number, group in enumerate(node.needs_any)
            ),
        )
        for item, node in nodes.items()
    }
    for item in nodes:
        assert best_of_all(without, [item], weights) == best_of_all(nodes, [item], weights)
    assert all(by in nodes[item].needs_any[number] for item, number, _, by in found)
