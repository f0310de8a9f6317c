"""A known cover and prices of the needs, which guide a long search.

Both come from a solver that computes with floats. The search is exact even if they are not: the
cover can be checked, and any prices at all give a bound of the cost of covers.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final, NamedTuple

from kitwright.solve._program import Program, Row, good_values, row_prices
from kitwright.solve._reduce import Column, Problem, Scale, Stage, stages_of

if TYPE_CHECKING:
    from collections.abc import Mapping

UNIT: Final = 2**20
"""The number of parts per unit in which prices and gains are counted."""


class Guide(NamedTuple):
    """The value of a known cover, and prices that show how far above it a state must end.

    Prices are by need, values by rank, prices and gains in parts of `UNIT`. A column's gain is the
    price of its contents less its value. Whatever the prices are, the value of a cover is at least
    the price of the needs less all possible gains.
    """

    most: int
    prices: Mapping[int, int]
    values: Mapping[int, int]

    def gain(self, column: Column) -> int:
        """Return the gain of a copy, negative if it costs more than the price of its contents."""
        held = sum(self.prices[need] * count for need, count in column.holds.items())
        return held - self.values[column.rank] * UNIT

    def best_gain(self, stage: Stage) -> int:
        """Return the highest possible gain in a stage."""
        return max(0, *(self.gain(column) * column.limit for column in stage))

    def worthwhile(self, problem: Problem) -> Problem:
        """Return the problem without the columns that lead above the known cover's value."""
        stages = stages_of(problem)
        spare = self.most * UNIT + sum(map(self.best_gain, stages))
        spare -= sum(self.prices[need] * count for need, count in problem.wanted.items())
        kept = []
        for stage in stages:
            best = self.best_gain(stage)
            for column in stage:
                gain = self.gain(column)
                if best - max(gain, gain * column.limit) <= spare:
                    kept.append(column)
        return problem._replace(columns=kept)


def known_cover(problem: Problem) -> tuple[Counter[int], Guide] | None:
    """Return the copies of a good cover by rank, usually the best, and a guide made from it.

    Return None if the solver finds no cover.

    Raises: SolverFailed.
    """
    columns = problem.columns
    scale = Scale(columns)
    values = [scale.value(column) for column in columns]
    rows = [
        Row({j: c.holds[need] for j, c in enumerate(columns) if need in c.holds}, least=count)
        for need, count in problem.wanted.items()
    ]
    groups = sorted({column.group for column in columns if column.group is not None})
    rows += [
        Row({j: 1 for j, c in enumerate(columns) if c.group == group}, most=1) for group in groups
    ]
    program = Program(values, [column.limit for column in columns], rows)
    copies = good_values(program)
    if copies is None:
        return None
    prices = [max(0, price) for price in row_prices(program, UNIT)]
    ranks = [column.rank for column in columns]
    guide = Guide(
        most=sum(value * count for value, count in zip(values, copies, strict=True)),
        prices=dict(zip(problem.wanted, prices, strict=False)),
        values=dict(zip(ranks, values, strict=True)),
    )
    return Counter(dict(zip(ranks, copies, strict=True))), guide
