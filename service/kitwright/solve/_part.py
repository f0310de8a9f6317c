"""Part: rows of a purchase that share no offer with others, and their best covers."""

from __future__ import annotations

from math import prod
from typing import TYPE_CHECKING, Final, NamedTuple

from kitwright.solve._tree import Choice, Least, Tree, Ways
from kitwright.solve.cover import Pack, least_cover

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from kitwright.solve._demand import Row

SHARES: Final = 16
"""The parts of a unit in which bounds and the price of value are counted."""
_SIMPLE: Final = 30_000
"""The most steps for which trying everything is quicker than a search."""
FEW_NODES: Final = 60
MANY_NODES: Final = 2_000
"""The nodes of a search before another kind of search is tried, and if that fails too."""

Limits = tuple[tuple[int, int, int], ...]
"""Offers, each with the least and the most packs that may be taken."""


class Way(NamedTuple):
    """A number of packs of an offer that may be taken, its cost, and its value for charges."""

    packs: int
    cost: int
    value: int


Picks = dict[int, Way]
"""Offer -> the way that it is taken."""


class Cover(NamedTuple):
    """A cover of a part, and what none of its covers is below, in parts of `SHARES`."""

    bound: int
    picks: Picks


class Part:
    """Rows, and the covers of them that were found before.

    Args:
        rows: the rows.
        ways: by offer, the ways to take it.
        seller: by offer, its seller, below zero if it has none.
    """

    def __init__(
        self, rows: Sequence[Row], ways: Sequence[Sequence[Way]], seller: Sequence[int]
    ) -> None:
        self._rows = rows
        self._offers = sorted({p for row in rows for p in row.holds if ways[p]})
        self._mask = sum(1 << place for place in self._offers)
        self._ways = ways
        self._seller = seller
        self._sellers = sorted({seller[p] for p in self._offers} - {-1})
        self._is_linear = {place: _is_linear(ways[place]) for place in self._offers}
        states = prod(row.wanted + 1 for row in rows)
        steps = states * sum(len(ways[place]) + 1 for place in self._offers)
        self._is_simple = steps <= _SIMPLE
        self.nodes = 0
        """The nodes of all searches."""
        self._known: dict[object, Cover | None] = {}

    def covered(self, without: int, shares: Sequence[int], limits: Limits) -> Cover | None:
        """Return the best cover, None if there is none.

        Args:
            without: the offers that may not be taken, as bits.
            shares: by seller, the price of its goods' value, which is deducted from their cost.
            limits: of some offers.

        Raises: SolverFailed.
        """
        own = tuple([each for each in limits if self._mask >> each[0] & 1]) if limits else limits
        key = without & self._mask, tuple([shares[seller] for seller in self._sellers]), own
        if key not in self._known:
            self._known[key] = self._covered(without, shares, own)
        return self._known[key]

    def _covered(self, without: int, shares: Sequence[int], limits: Limits) -> Cover | None:
        within = {place: (low, high) for place, low, high in limits}
        ranges, costs = [], []
        for place in self._offers:
            ways, seller = self._ways[place], self._seller[place]
            share = shares[seller] if seller >= 0 else 0
            costs.append([SHARES * way.cost - share * way.value for way in ways])
            low, high = within.get(place, (0, ways[-1].packs))
            if without >> place & 1:
                high = 0
            least = sum(way.packs < low for way in ways) + (low > 0)
            most = sum(way.packs <= high for way in ways)
            if least > most:
                return None
            ranges.append((least, most))
        found = (self._swept if self._is_simple else self._searched)(ranges, costs)
        if found is None:
            return None
        self.nodes += found.nodes
        picks = {
            place: self._ways[place][way - 1]
            for place, way in zip(self._offers, found.ways, strict=True)
            if way
        }
        return Cover(found.bound, picks)

    def _swept(
        self, ranges: Sequence[tuple[int, int]], costs: Sequence[Sequence[int]]
    ) -> Least | None:
        """Return the best cover by what the offers so far leave open, at least cost."""
        states: dict[Ways, tuple[int, Ways]] = {tuple(row.wanted for row in self._rows): (0, ())}
        for place, (least, most), cost in zip(self._offers, ranges, costs, strict=True):
            if not most:
                states = {left: (sum_, (*ways, 0)) for left, (sum_, ways) in states.items()}
                continue
            held = [row.holds.get(place, 0) for row in self._rows]
            reached: dict[Ways, tuple[int, Ways]] = {}
            for left, start in states.items():
                for way in range(least, most + 1):
                    packs = self._packs(place, way)
                    after = tuple([max(0, n - packs * h) for n, h in zip(left, held, strict=True)])
                    total = start[0] + (cost[way - 1] if way else 0)
                    if after not in reached or total < reached[after][0]:
                        reached[after] = total, (*start[1], way)
            states = reached
        found = states.get((0,) * len(self._rows))
        return None if found is None else Least(found[1], found[0], found[0])

    def _searched(
        self, ranges: Sequence[tuple[int, int]], costs: Sequence[Sequence[int]]
    ) -> Least | None:
        """Return the best cover by a search."""
        numbers = {place: number for number, place in enumerate(self._offers)}
        choices = [
            Choice([way.packs for way in self._ways[place]], cost, self._is_linear[place])
            for place, cost in zip(self._offers, costs, strict=True)
        ]
        rows = [row.wanted for row in self._rows]
        holds = [
            {numbers[p]: held for p, held in row.holds.items() if p in numbers}
            for row in self._rows
        ]
        tree = Tree(rows, holds, choices, tuple(ranges))
        found = tree.least(FEW_NODES)
        if found is None or found.is_proven:
            return found
        # this search sees which ways are no better than others
        covered = _covered(rows, holds, choices, ranges)
        return covered or tree.least(MANY_NODES)

    def _packs(self, place: int, way: int) -> int:
        return self._ways[place][way - 1].packs if way else 0


def _covered(
    rows: Sequence[int],
    holds: Sequence[Mapping[int, int]],
    choices: Sequence[Choice],
    ranges: Sequence[tuple[int, int]],
) -> Least | None:
    """Return the best cover by `cover`, None if it is not proven."""
    # what is to be taken in any case is a row of its own
    wanted = dict(enumerate([*rows, *(int(least > 0) for least, _ in ranges)]))
    packs = []
    for place, (choice, (least, most)) in enumerate(zip(choices, ranges, strict=True)):
        is_repeated = choice.is_linear and not least
        for way in range(max(1, least), min(most, 1) + 1 if is_repeated else most + 1):
            held = {row: each[place] for row, each in enumerate(holds) if place in each}
            filled = {row: count * choice.packs[way - 1] for row, count in held.items()}
            packs.append(
                Pack(
                    id=(place, way),
                    holds={**filled, len(rows) + place: 1},
                    cost=choice.costs[way - 1],
                    limit=most if is_repeated else 1,
                    group=None if is_repeated else str(place),
                )
            )
    cover = least_cover(wanted, packs)
    if not cover.is_proven:
        return None
    ways = [0] * len(choices)
    for (place, way), times in cover.packs:
        ways[place] = way * times
    return Least(tuple(ways), cover.cost, cover.cost, FEW_NODES)


def _is_linear(ways: Sequence[Way]) -> bool:
    """Return whether each way is a multiple of the first."""
    packs, cost, value = ways[0]
    return all(
        way == (packs * times, cost * times, value * times)
        for times, way in enumerate(ways, start=1)
    )


def components(rows: Iterable[Row]) -> list[list[Row]]:
    """Return the rows in groups that have no offers in common."""
    groups: list[tuple[set[int], list[Row]]] = []
    for row in rows:
        offers, joined = {*row.holds}, [row]
        apart = []
        for group in groups:
            if offers.isdisjoint(group[0]):
                apart.append(group)
            else:
                offers |= group[0]
                joined = [*group[1], *joined]
        groups = [*apart, (offers, joined)]
    return [joined for _, joined in groups]
