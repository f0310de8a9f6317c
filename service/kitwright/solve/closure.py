"""Least-weight closed sets of an AND/OR precedence graph, exact.

A set of items is closed if it contains everything that each of its members needs, and a branch of
each of its members' OR groups. When the graph is compiled, items become bits of an int, so that
questions work on complete sets at a time.
"""

from __future__ import annotations

from fractions import Fraction
from math import lcm
from typing import TYPE_CHECKING, Any, Generic, Literal, NoReturn, TypeVar

from msgspec import Struct

from kitwright.errors import KitwrightError
from kitwright.solve import Orderable
from kitwright.solve._choices import Structure, bits, gather, least_closure, union

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence

T = TypeVar("T", bound=Orderable)


class Node(Struct, Generic[T], frozen=True):
    """The needs of one item: all of some items, and one branch of each OR group."""

    needs_all: tuple[T, ...] = ()
    needs_any: tuple[tuple[T, ...], ...] = ()


class ClosedSet(Struct, Generic[T], frozen=True):
    """A closed set: its items in ascending order, and the sum of their weights."""

    items: tuple[T, ...]
    weight: Fraction


class Obstacle(Struct, Generic[T], frozen=True, kw_only=True):
    """The reason why a target is unreachable: an item on the way to it that is not available.

    `missing`: the graph does not contain the item. `forbidden`: it is among `without`. `outside`:
    it is not among `within`. `no-branch`: no branch of its OR group `group` is available.
    `needed_by` is the item that needs it, None if the item is the target.
    """

    item: T
    reason: Literal["missing", "forbidden", "outside", "no-branch"]
    needed_by: T | None = None
    group: tuple[T, ...] = ()


class ClosureError(KitwrightError):
    """An invalid precedence graph, or a question to a graph that has no answer."""

    code = "closure-error"


class CyclicGraph(ClosureError):
    """Items need one another in a cycle: each needs the next, and the last needs the first."""

    code = "cyclic-graph"

    def __init__(self, items: Sequence[Any]) -> None:
        super().__init__(f"needs run in a circle: {_listed([*items, items[0]], ' -> ')}")
        self.items = tuple(items)


class UnknownItem(ClosureError):
    """A question names items that the graph does not contain."""

    code = "unknown-item"

    def __init__(self, items: Sequence[Any]) -> None:
        super().__init__(f"not in the graph: {_listed(items)}")
        self.items = tuple(items)


class WeightMissing(ClosureError):
    """Items that may be in the set have no weight."""

    code = "weight-missing"

    def __init__(self, items: Sequence[Any]) -> None:
        super().__init__(f"no weight for {_listed(items)}")
        self.items = tuple(items)


class NegativeWeight(ClosureError, ValueError):
    """Items that may be in the set have a negative weight."""

    code = "negative-weight"

    def __init__(self, items: Sequence[Any]) -> None:
        super().__init__(f"a weight below zero for {_listed(items)}")
        self.items = tuple(items)


class Unreachable(ClosureError):
    """No closed set contains all targets; `because` has an obstacle for each unreachable target."""

    code = "unreachable"

    def __init__(self, targets: Sequence[Any], because: Mapping[Any, Obstacle[Any]]) -> None:
        causes = "; ".join(f"{target!r}: {_told(because[target])}" for target in targets)
        super().__init__(f"out of reach: {causes}")
        self.targets = tuple(targets)
        self.because = dict(because)


def _listed(items: Iterable[Any], mark: str = ", ") -> str:
    return mark.join(map(repr, items))


def _told(obstacle: Obstacle[Any]) -> str:
    told = f"{obstacle.item!r} is {obstacle.reason}"
    if obstacle.reason == "no-branch":
        told = f"{obstacle.item!r} has no branch of ({_listed(obstacle.group)})"
    return told if obstacle.needed_by is None else f"{told}, needed by {obstacle.needed_by!r}"


class Graph(Generic[T]):
    """An AND/OR precedence graph, compiled once for many questions.

    A need outside the graph makes its node unreachable; a branch of an OR group outside the graph
    is only unavailable. `items` are in ascending order.

    Raises: CyclicGraph, if AND and OR needs together form a cycle.
    """

    def __init__(self, nodes: Mapping[T, Node[T]]) -> None:
        self.items: tuple[T, ...] = tuple(sorted(nodes))
        self._nodes = [nodes[item] for item in self.items]
        self._places = {item: place for place, item in enumerate(self.items)}
        self._structure = Structure(
            [self._mask(node.needs_all) for node in self._nodes],
            [[self._mask(group) for group in node.needs_any] for node in self._nodes],
        )
        if self._structure.circle:
            raise CyclicGraph([self.items[place] for place in self._structure.circle])
        self._whole = self._mask(
            item for item in self.items if self._places.keys() >= {*nodes[item].needs_all}
        )

    def required(self, item: T) -> frozenset[T]:
        """Return the item and all items of the graph that it needs through AND edges only.

        Raises: UnknownItem.
        """
        return frozenset(self._named(self._structure.required[self._place(item)]))

    def has_choice(self, item: T) -> bool:
        """Return whether anything in `required(item)` has an OR group.

        Raises: UnknownItem.
        """
        return bool(self._structure.required[self._place(item)] & self._structure.choosing)

    def _place(self, item: T) -> int:
        if item not in self._places:
            raise UnknownItem([item])
        return self._places[item]

    def _mask(self, items: Iterable[T]) -> int:
        """Return the items as a mask, without those that the graph does not contain."""
        mask, places = 0, self._places
        for item in items:
            place = places.get(item)
            if place is not None:
                mask |= 1 << place
        return mask

    def _named(self, mask: int) -> tuple[T, ...]:
        return tuple([self.items[place] for place in bits(mask)])


class Weighed(Generic[T]):
    """A graph with a weight for each of its items, compiled for many questions.

    Weights become whole numbers over one denominator. A missing or negative weight is an error only
    in a question whose answer might contain the item.

    Args:
        graph: the graph, which is not changed.
        weights: exact and not negative, at least for every item that may be in a set.
    """

    def __init__(self, graph: Graph[T], weights: Mapping[T, Fraction | int]) -> None:
        self.graph = graph
        known = [weights.get(item) for item in graph.items]
        self._missing = union(1 << at for at, weight in enumerate(known) if weight is None)
        self._negative = union(
            1 << at for at, weight in enumerate(known) if weight is not None and weight < 0
        )
        exact = [0 if weight is None else weight for weight in known]
        self.scale = lcm(*(weight.denominator for weight in exact))
        self.heights = [weight.numerator * (self.scale // weight.denominator) for weight in exact]
        self.untied = _without_ties(self.heights)

    def check(self, region: int) -> None:
        """Check the weights of a region. Raises: WeightMissing, NegativeWeight."""
        if missing := region & self._missing:
            raise WeightMissing(self.graph._named(missing))
        if negative := region & self._negative:
            raise NegativeWeight(self.graph._named(negative))


class Search(Generic[T]):
    """Finds the least closed sets of some items of a weighed graph, compiled for many questions.

    Args:
        weighed: the graph and its weights.
        within: only these items may be in a set; None means all items of the graph.
        without: these items may not be in a set.
    """

    def __init__(
        self,
        weighed: Weighed[T],
        *,
        within: Collection[T] | None = None,
        without: Collection[T] = (),
    ) -> None:
        graph = weighed.graph
        allowed = graph._whole & ~graph._mask(without)
        if within is not None:
            allowed &= graph._mask(within)
        self._weighed = weighed
        self._limits = within, without
        self._settled = graph._structure.settle(allowed)
        self._choices = graph._structure.choices(self._settled, self._settled.possible)

    def least(self, targets: Iterable[T]) -> ClosedSet[T]:
        """Return the closed set of least weight that contains all targets.

        In a tie, the set with the fewest items is returned, then that with the smallest tuple of
        items in ascending order. Without targets, the set is empty.

        Raises: Unreachable, WeightMissing, NegativeWeight.
        """
        graph, settled, weighed = self._weighed.graph, self._settled, self._weighed
        wanted = set(targets)
        target = graph._mask(wanted)
        if target & ~settled.possible or target.bit_count() < len(wanted):
            self._refuse(wanted)
        region = gather(settled.reach, target)
        weighed.check(region)
        closed = gather(settled.sure, target)
        if choices := [choice for choice in self._choices if choice.owner & region]:
            closed = least_closure(closed, choices, weighed.untied)
        weight = sum([weighed.heights[place] for place in bits(closed)])
        return ClosedSet(graph._named(closed), Fraction(weight, weighed.scale))

    def _refuse(self, wanted: Collection[T]) -> NoReturn:
        graph, possible = self._weighed.graph, self._settled.possible
        blocked = [item for item in sorted(wanted) if not graph._mask([item]) & possible]
        because = {item: _obstacle(graph, item, possible, *self._limits) for item in blocked}
        raise Unreachable(blocked, because)


def least_closed_set(
    graph: Graph[T],
    targets: Iterable[T],
    weights: Mapping[T, Fraction | int],
    *,
    within: Collection[T] | None = None,
    without: Collection[T] = (),
) -> ClosedSet[T]:
    """Return the closed set of least weight that contains all targets: one question of a `Search`.

    Arguments and errors are those of `Weighed`, `Search` and `Search.least`.
    """
    return Search(Weighed(graph, weights), within=within, without=without).least(targets)


def removal_order(graph: Graph[T], items: Iterable[T]) -> tuple[T, ...]:
    """Return the items ordered so that each comes after all that it needs, ties in ascending order.

    Of an OR group, every branch among the items comes first. Items that are needed but not given
    do not count; an item given twice is returned once.

    Raises: UnknownItem.
    """
    given = set(items)
    if unknown := given - graph._places.keys():
        raise UnknownItem(sorted(unknown))
    left = graph._mask(given)
    needs = graph._structure.needs
    waiting = [*bits(left)]
    order = []
    while waiting:
        # the first in ascending order that needs nothing of what is left
        place = next(place for place in waiting if not needs[place] & left)
        order.append(graph.items[place])
        left ^= 1 << place
        waiting.remove(place)
    return tuple(order)


def dominated_branches(graph: Graph[T]) -> tuple[tuple[T, int, T, T], ...]:
    """Return the OR branches that can never be chosen, as (item, group, branch, by), in that order.

    A branch is never chosen if its needs through AND edges contain another branch of the group.
    `by` is that branch, the smallest if there are several. Groups count from zero, as in
    `needs_any`.
    """
    found = []
    for item, groups in zip(graph.items, graph._structure.any_of, strict=True):
        for number, group in enumerate(groups):
            for branch in bits(group):
                rivals = graph._structure.required[branch] & group & ~(1 << branch)
                if rivals:
                    by = graph.items[bits(rivals)[0]]
                    found.append((item, number, graph.items[branch], by))
    return tuple(found)


def _obstacle(
    graph: Graph[T],
    target: T,
    possible: int,
    within: Collection[T] | None,
    without: Collection[T],
) -> Obstacle[T]:
    """Return the obstacle of a target, found along the smallest needs that are unreachable."""
    item, needed_by = target, None
    while True:
        if item not in graph._places:
            return Obstacle(item=item, reason="missing", needed_by=needed_by)
        if item in without:
            return Obstacle(item=item, reason="forbidden", needed_by=needed_by)
        if within is not None and item not in within:
            return Obstacle(item=item, reason="outside", needed_by=needed_by)
        node = graph._nodes[graph._places[item]]
        blocked = [need for need in node.needs_all if not graph._mask([need]) & possible]
        if not blocked:
            group = next(group for group in node.needs_any if not graph._mask(group) & possible)
            return Obstacle(item=item, reason="no-branch", needed_by=needed_by, group=group)
        item, needed_by = min(blocked), item


def _without_ties(weights: Sequence[int]) -> list[int]:
    """Return weights whose sums order sets by weight, then by count, then by smallest items.

    Below the digits of the weights are those of the count, and below these is a bit for each item,
    that of the first item highest. Of two sets with equal weight and count, the one with the first
    item that the other does not have is lighter.
    """
    count = len(weights)
    return [
        ((weight * (count + 1) + 1) << count) - (1 << (count - 1 - rank))
        for rank, weight in enumerate(weights)
    ]
