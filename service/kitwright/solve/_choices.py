"""The search used by `closure`: it selects branches of OR groups, on sets stored as ints.

An item is its place, counted from zero. A set of items is an int with a bit at each item's place.
"""

from __future__ import annotations

import heapq
from functools import reduce
from operator import and_, or_
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence


def bits(mask: int) -> list[int]:
    """Return the places of the set bits of a mask, in ascending order."""
    found = []
    while mask:
        low = mask & -mask
        found.append(low.bit_length() - 1)
        mask ^= low
    return found


def union(masks: Iterable[int]) -> int:
    """Return the union of sets."""
    return reduce(or_, masks, 0)


def gather(sets: Sequence[int], places: int) -> int:
    """Return the union of the sets at the places of a mask."""
    found = 0
    while places:
        low = places & -places
        found |= sets[low.bit_length() - 1]
        places ^= low
    return found


class Settled(NamedTuple):
    """The possible contents of closed sets that consist of allowed items only."""

    possible: int
    """The items that at least one closed set contains."""
    sure: list[int]
    """By place: the items that every closed set with the item contains."""
    reach: list[int]
    """By place: the items that a least closed set may contain because of the item."""


class Choice(NamedTuple):
    """An OR group, in the form that the search uses."""

    owner: int
    """The bit of the item that has the group."""
    any_of: int
    """The possible branches; each of them satisfies the group."""
    ways: tuple[int, ...]
    """For each branch worth trying, the items that it always adds, including itself."""
    reach: int
    """All items that any of the branches may add."""


class Structure:
    """Needs by place: `all_of` masks, and a mask for each group of `any_of`.

    `order` has each place after those it needs. If needs form a cycle, `order` is incomplete, and
    `circle` contains one cycle, in which each place needs the next.
    """

    def __init__(self, all_of: Sequence[int], any_of: Sequence[Sequence[int]]) -> None:
        self.all_of = all_of
        self.any_of = any_of
        self.needs = [own | union(groups) for own, groups in zip(all_of, any_of, strict=True)]
        self.choosing = union(1 << place for place, groups in enumerate(any_of) if groups)
        self.order: list[int] = []
        waiting = (1 << len(all_of)) - 1
        while ready := [place for place in bits(waiting) if not self.needs[place] & waiting]:
            self.order += ready
            waiting &= ~union(1 << place for place in ready)
        self.circle = self._circle(waiting)
        self.required = [0] * len(all_of)
        for place in self.order:
            self.required[place] = 1 << place | gather(self.required, all_of[place])

    def _circle(self, waiting: int) -> list[int]:
        """Return a cycle among places each of which needs another, starting at its lowest place."""
        trail: list[int] = []
        place = bits(waiting)[0] if waiting else None
        while place is not None and place not in trail:
            trail.append(place)
            place = bits(self.needs[place] & waiting)[0]
        if place is None:
            return []
        circle = trail[trail.index(place) :]
        first = circle.index(min(circle))
        return circle[first:] + circle[:first]

    def settle(self, allowed: int) -> Settled:
        """Return the possible sets with the allowed places only."""
        possible = 0
        sure = [0] * len(self.needs)
        reach = [0] * len(self.needs)
        for place in self.order:
            itself, all_of = 1 << place, self.all_of[place]
            if not itself & allowed or all_of & ~possible:
                continue
            groups = [group & possible for group in self.any_of[place]]
            if all(groups):
                possible |= itself
                # Items that every branch adds are added whichever branch is taken.
                common = [reduce(and_, [sure[b] for b in bits(group)]) for group in groups]
                sure[place] = itself | gather(sure, all_of) | union(common)
                reach[place] = (
                    itself | gather(reach, all_of) | union(gather(reach, group) for group in groups)
                )
        return Settled(possible, sure, reach)

    def choices(self, settled: Settled, region: int) -> list[Choice]:
        """Return the OR groups in a region, except those satisfied as soon as they open."""
        choices = []
        for place in bits(region & self.choosing):
            for group in self.any_of[place]:
                branches = group & settled.possible
                if not branches & settled.sure[place]:
                    # A branch that also adds another branch is never the lightest.
                    sure = [(1 << branch, settled.sure[branch]) for branch in bits(branches)]
                    ways = tuple(way for itself, way in sure if way & branches == itself)
                    reach = gather(settled.reach, branches)
                    choices.append(Choice(1 << place, branches, ways, reach))
        return choices


def least_closure(start: int, choices: Iterable[Choice], weights: Sequence[int]) -> int:
    """Return the lightest set that contains `start` and a branch of every choice that it opens.

    Args:
        start: a set that contains the items that its items always add.
        choices: the OR groups of all items that may be added.
        weights: by place, above zero, and such that no two sets have the same weight.
    """
    # A choice that `start` meets never opens again.
    choices = [choice for choice in choices if not start & choice.owner or _opens(choice, start)]
    closed = start
    for region in _regions(start, choices):
        here = [c for c in choices if c.owner & (region | start) and c.reach & region]
        closed |= _best_first(start, here, weights)
    return closed


def _opens(choice: Choice, closed: int) -> bool:
    return bool(closed & choice.owner) and not closed & choice.any_of


def _regions(start: int, choices: Sequence[Choice]) -> list[int]:
    """Return the reach of the open choices, split into independent regions."""
    regions: list[int] = []
    for choice in choices:
        if _opens(choice, start):
            region = choice.reach & ~start
            apart = [other for other in regions if not other & region]
            for other in regions:
                if other & region:
                    region |= other
            regions = [*apart, region]
    return regions


def _best_first(start: int, choices: Sequence[Choice], weights: Sequence[int]) -> int:
    # With a bound that is never too high, the first complete set to surface is the lightest. A
    # set's weight does not depend on the way to it, so a set once visited is done with.
    visited: set[int] = set()
    queue = [(0, start, 0)]
    while True:
        _, closed, weight = heapq.heappop(queue)
        if closed in visited:
            continue
        visited.add(closed)
        prices = [
            [(_weight(way & ~closed, weights), way) for way in choice.ways]
            for choice in choices
            if _opens(choice, closed)
        ]
        if not prices:
            return closed
        # The most expensive choice first, as it raises the bound soonest.
        for price, way in max(prices, key=min):
            grown = closed | way
            if grown not in visited:
                opened = [choice for choice in choices if _opens(choice, grown)]
                least = weight + price + _bound(grown, opened, weights)
                heapq.heappush(queue, (least, grown, weight + price))


def _weight(items: int, weights: Sequence[int]) -> int:
    return sum(weights[place] for place in bits(items))


def _bound(closed: int, opened: Sequence[Choice], weights: Sequence[int]) -> int:
    """Return a lower bound of the weight that is added by satisfying the open choices.

    Each choice in turn charges the price of its cheapest way to the items of every way. No item is
    charged more than its weight, so the charges of all choices add up. Within a choice, an item is
    charged once for all the ways that it is part of.
    """
    left: dict[int, int] = {}
    total = 0
    for choice in opened:
        ways = [[*bits(way & ~closed)] for way in choice.ways]
        charge = min(sum(left.get(place, weights[place]) for place in way) for way in ways)
        total += charge
        charged: dict[int, int] = {}
        for way in ways:
            due = charge - sum(charged.get(place, 0) for place in way)
            for place in way:
                if due > 0:
                    before = charged.get(place, 0)
                    paid = min(due, left.get(place, weights[place]) - before)
                    charged[place] = before + paid
                    due -= paid
        for place, paid in charged.items():
            left[place] = left.get(place, weights[place]) - paid
    return total
