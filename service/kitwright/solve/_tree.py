"""A search for the best cover of tangled rows, guided by linear programs whose bounds are exact.

HiGHS solves the programs in floats. Only its row prices are used for bounds: whatever they are, the
cost of the rows at these prices, less all that columns gain, is below every cover. It is summed up
in whole numbers. Covers are checked in whole numbers too.
"""

from __future__ import annotations

import heapq
from typing import TYPE_CHECKING, Final, NamedTuple

from kitwright.solve._program import Program, Row, relaxed

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

_UNIT: Final = 2**20
"""The parts of a unit of cost in which row prices are counted."""
_ALMOST: Final = 1e-6


class Choice(NamedTuple):
    """An offer of which one way is taken, or none: the packs and cost of each way, ascending.

    If `is_linear`, all are multiples of the first one in packs and cost.
    """

    packs: Sequence[int]
    costs: Sequence[int]
    is_linear: bool


Ways = tuple[int, ...]
"""By choice, the way that is taken: 0 is none, 1 the first."""
Ranges = tuple[tuple[int, int], ...]
"""By choice, the least and the most way that may be taken."""


class Least(NamedTuple):
    """The ways of the best cover found, its cost, a cost that no cover is below, and the nodes
    searched.
    """

    ways: Ways
    cost: int
    bound: int
    nodes: int = 0

    @property
    def is_proven(self) -> bool:
        """Whether no cover costs less."""
        return self.bound >= self.cost


class _Column(NamedTuple):
    """A way of a choice, or, if linear, each step beyond the least way."""

    choice: int
    packs: int
    cost: int
    limit: int
    is_step: bool


class Tree:
    """The search.

    Args:
        rows: the amount that each row wants.
        holds: by row, what one pack of a choice counts.
        choices: the choices.
        ranges: the ways that may be taken.
    """

    def __init__(
        self,
        rows: Sequence[int],
        holds: Sequence[Mapping[int, int]],
        choices: Sequence[Choice],
        ranges: Ranges,
    ) -> None:
        self._rows, self._holds, self._choices = rows, holds, choices
        self._best: tuple[int, Ways] | None = None
        self._queue: list[tuple[int, int, Ranges, tuple[float, ...]]] = []
        self._nodes = 0
        self._open(ranges)

    def least(self, most_nodes: int) -> Least | None:
        """Return the best cover, or the best found after some nodes; None if there is none. Another
        call continues the search.

        Raises: SolverFailed.
        """
        if self._best is None:
            return None
        while self._queue and self._queue[0][0] < self._best[0]:
            if self._nodes >= most_nodes:
                return Least(self._best[1], self._best[0], self._queue[0][0], self._nodes)
            _, _, found, packs = heapq.heappop(self._queue)
            for child in self._halves(found, packs):
                self._open(child)
        return Least(self._best[1], self._best[0], self._best[0], self._nodes)

    def _open(self, ranges: Ranges) -> None:
        """Find the bound of some ranges, and keep them if they may contain a better cover."""
        if any(self._missing([most for _, most in ranges])):
            return
        self._nodes += 1
        bound, packs = self._relaxed(ranges)
        self._try(self._rounded(ranges, packs), ranges)
        if self._best is None or bound < self._best[0]:
            heapq.heappush(self._queue, (bound, self._nodes, ranges, packs))

    def _packs(self, place: int, way: int) -> int:
        return self._choices[place].packs[way - 1] if way else 0

    def _cost(self, place: int, way: int) -> int:
        return self._choices[place].costs[way - 1] if way else 0

    def _missing(self, ways: Sequence[int]) -> Iterator[int]:
        """Yield the amount of each row that some ways leave open."""
        packs = [self._packs(place, way) for place, way in enumerate(ways)]
        for row, held in zip(self._rows, self._holds, strict=True):
            yield max(0, row - sum(each * packs[place] for place, each in held.items()))

    def _relaxed(self, ranges: Ranges) -> tuple[int, tuple[float, ...]]:
        """Return a cost that no cover in some ranges is below, and the packs of each choice in the
        solution of the linear program.
        """
        columns = [
            column
            for place, (least, most) in enumerate(ranges)
            for column in self._columns(place, least, most)
        ]
        base, rows = self._program_rows(ranges, columns)
        program = Program(
            [column.cost for column in columns], [column.limit for column in columns], rows
        )
        packs = [float(self._packs(place, self._fixed(place, r))) for place, r in enumerate(ranges)]
        if not columns:
            return base, tuple(packs)
        values, prices = relaxed(program, _UNIT)
        for column, value in zip(columns, values, strict=True):
            packs[column.choice] += column.packs * value
        return base + -(-_floor(program, prices) // _UNIT), tuple(packs)

    def _fixed(self, place: int, limits: tuple[int, int]) -> int:
        """Return the way of a choice that is taken in any case."""
        least, most = limits
        return least if least == most or self._choices[place].is_linear else 0

    def _columns(self, place: int, least: int, most: int) -> Iterator[_Column]:
        choice = self._choices[place]
        if least == most:
            return
        if choice.is_linear:
            yield _Column(place, choice.packs[0], choice.costs[0], most - least, is_step=True)
        else:
            for way in range(max(1, least), most + 1):
                yield _Column(place, choice.packs[way - 1], choice.costs[way - 1], 1, is_step=False)

    def _program_rows(self, ranges: Ranges, columns: Sequence[_Column]) -> tuple[int, list[Row]]:
        """Return the cost of what is taken in any case, and the rows that are left."""
        ways = [self._fixed(place, limits) for place, limits in enumerate(ranges)]
        base = sum(self._cost(place, way) for place, way in enumerate(ways))
        rows = []
        for missing, held in zip(self._missing(ways), self._holds, strict=True):
            if missing:
                # what a column counts for beyond the row is cut off, which raises bounds
                factors = {
                    number: min(missing, held[column.choice] * column.packs)
                    for number, column in enumerate(columns)
                    if column.choice in held
                }
                rows.append(Row(factors, least=missing))
        by_choice: dict[int, dict[int, int]] = {}
        for number, column in enumerate(columns):
            if not column.is_step:
                by_choice.setdefault(column.choice, {})[number] = 1
        for place, factors in by_choice.items():
            rows.append(Row(factors, least=1 if ranges[place][0] else None, most=1))
        return base, rows

    def _rounded(self, ranges: Ranges, packs: Sequence[float]) -> list[int]:
        """Return a cover near the packs of a linear program."""
        ways = []
        for place, (least, most) in enumerate(ranges):
            way = least
            while way < most and self._packs(place, way) < packs[place] - _ALMOST:
                way += 1
            ways.append(way)
        if any(self._missing(ways)):
            # a solver's floats fell short
            return [most for _, most in ranges]
        return ways

    def _try(self, ways: list[int], ranges: Ranges) -> None:
        """Keep a cover, without ways that are not needed, if it is the best yet."""
        by_saving = sorted(
            range(len(ways)), key=lambda place: (-self._cost(place, ways[place]), place)
        )
        for place in by_saving:
            while ways[place] > ranges[place][0]:
                ways[place] -= 1
                if any(self._missing(ways)):
                    ways[place] += 1
                    break
        cost = sum(self._cost(place, way) for place, way in enumerate(ways))
        if self._best is None or (cost, tuple(ways)) < self._best:
            self._best = cost, tuple(ways)

    def _halves(self, ranges: Ranges, packs: Sequence[float]) -> Iterator[Ranges]:
        """Yield some ranges in two, at the choice that the linear program divides most."""
        best: tuple[float, int, int] | None = None
        for place, (least, most) in enumerate(ranges):
            if least == most:
                continue
            cut = least
            while cut < most - 1 and self._packs(place, cut + 1) <= packs[place] + _ALMOST:
                cut += 1
            below, above = self._packs(place, cut), self._packs(place, cut + 1)
            off = min(abs(packs[place] - below), abs(above - packs[place])) / (above - below)
            rank = -off * self._cost(place, most), place, cut
            if best is None or rank < best:
                best = rank
        if best is not None:
            _, place, cut = best
            least, most = ranges[place]
            for limits in ((least, cut), (cut + 1, most)):
                yield (*ranges[:place], limits, *ranges[place + 1 :])


def _floor(program: Program, prices: Sequence[int]) -> int:
    """Return a cost that no values of a program are below, in the parts of the rows' prices."""
    left = [cost * _UNIT for cost in program.costs]
    floor = 0
    for row, price in zip(program.rows, prices, strict=True):
        # a price is above zero for a least amount, below for a most
        side = row.least if price > 0 else row.most
        if price and side is not None:
            floor += price * side
            for column, factor in row.factors.items():
                left[column] -= price * factor
    return floor + sum(
        cost * limit for cost, limit in zip(left, program.limits, strict=True) if cost < 0
    )
