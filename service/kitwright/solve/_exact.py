"""Two exact searches for the best cover of a reduced problem: a sweep, and an integer program."""

from __future__ import annotations

from collections import Counter, defaultdict
from math import gcd
from operator import mul
from typing import TYPE_CHECKING, Final

from kitwright.solve._program import Row, SolverFailed, least_values
from kitwright.solve._reduce import Column, NoCover, Problem, supply

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

_AT_ONCE: Final = 10**9
"""As long as all columns together cost less, cost and copies go into one number."""
_RANKED: Final = 10**6
""""""


def swept(problem: Problem, most_states: int) -> Counter[int] | None:
    """Return the copies of the best cover by rank, None where it would take too many states.

    Packs are decided on one kind after the other. Of all the ways that leave the same needs only
    the best is kept.

    Raises: NoCover.
    """
    columns = sorted(problem.columns, key=lambda column: column.rank, reverse=True)
    width = sum(column.limit for column in columns).bit_length()
    digits = width * len(columns)
    # One number says it all: cost, then copies in all, then copies of each column, the smallest
    # id's in the highest digits. These are taken away, for more of a smaller id is better.
    steps = {
        column.rank: (((column.cost << width) + 1) << digits) - (1 << width * place)
        for place, column in enumerate(columns)
    }
    places = {need: place for place, need in enumerate(problem.wanted)}
    states = {tuple(problem.wanted.values()): 0}
    later = supply(columns)
    for stage in _stages(problem):
        later -= supply(stage)
        still = [(places[need], later[need]) for need in {n: 0 for c in stage for n in c.holds}]
        moves = [
            ([(places[need], count) for need, count in c.holds.items()], c.limit, steps[c.rank])
            for c in stage
        ]
        reached: dict[tuple[int, ...], int] = {}
        for state, total in states.items():
            for left, step in _moves(state, moves):
                if all(left[place] <= most for place, most in still):
                    known = reached.get(left)
                    if known is None or total + step < known:
                        reached[left] = total + step
        if len(reached) > most_states:
            return None
        states = reached
    if not states:
        raise NoCover
    (best,) = states.values()
    copies = -best & ((1 << digits) - 1)
    return Counter(
        {c.rank: copies >> width * place & ((1 << width) - 1) for place, c in enumerate(columns)}
    )


def _moves(
    state: tuple[int, ...], columns: Sequence[tuple[Sequence[tuple[int, int]], int, int]]
) -> Iterator[tuple[tuple[int, ...], int]]:
    """Yield what copies of one of the columns leave of the needs, and what they add."""
    yield state, 0
    for holds, limit, step in columns:
        left = [*state]
        for copies in range(1, limit + 1):
            if not any(left[place] for place, _ in holds):
                break
            for place, count in holds:
                left[place] = max(0, left[place] - count)
            yield tuple(left), copies * step


def _stages(problem: Problem) -> Iterator[Sequence[Column]]:
    """Yield the columns that are decided on together, so that needs are soon done with."""
    grouped: dict[str, list[Column]] = defaultdict(list)
    for column in problem.columns:
        if column.group is not None:
            grouped[column.group].append(column)
    stages = [[column] for column in problem.columns if column.group is None]
    stages += grouped.values()
    needs = [{need for column in stage for need in column.holds} for stage in stages]
    waiting = {
        need: {number for number, held in enumerate(needs) if need in held}
        for need in problem.wanted
    }
    while waiting:
        # Columns for one need alone leave no more states than there were.
        wide = {need: sum(len(needs[n]) > 1 for n in numbers) for need, numbers in waiting.items()}
        closing = waiting.pop(min(wide, key=wide.__getitem__))
        for number in sorted(closing, key=lambda number: -len(needs[number])):
            yield stages[number]
            for numbers in waiting.values():
                numbers.discard(number)


def programmed(problem: Problem) -> Counter[int]:
    """Return the copies of the best cover by rank, found by integer programs.

    Raises: NoCover, SolverFailed.
    """
    columns = sorted(problem.columns, key=lambda column: column.rank)
    limits = [column.limit for column in columns]
    groups = sorted({column.group for column in columns if column.group is not None})
    rows = [
        Row({j: c.holds[need] for j, c in enumerate(columns) if need in c.holds}, least=count)
        for need, count in problem.wanted.items()
    ]
    rows += [
        Row({j: 1 for j, c in enumerate(columns) if c.group == group}, most=1) for group in groups
    ]
    scale = gcd(*(column.cost for column in columns)) or 1
    costs = [column.cost // scale for column in columns]
    # Every copy in a best cover is the last straw for a unit of some need.
    most_copies = min(sum(limits), sum(problem.wanted.values()))
    both = [cost * (most_copies + 1) + 1 for cost in costs]
    at_once = sum(map(mul, both, limits)) <= _AT_ONCE
    values = least_values(both if at_once else costs, limits, rows)
    if values is None:
        raise NoCover
    rows.append(Row(dict(enumerate(costs)), most=sum(map(mul, costs, values))))
    one_each = [1] * len(columns)
    if not at_once:
        values = _least_known(one_each, limits, rows)
    rows.append(Row(dict(enumerate(one_each)), most=sum(values)))
    values = _smallest(values, limits, rows)
    return Counter({c.rank: value for c, value in zip(columns, values, strict=True) if value})


def _smallest(values: list[int], limits: Sequence[int], rows: Sequence[Row]) -> list[int]:
    """Return, of all values that obey the rows, those with most of the first column, and so on."""
    rows = [*rows]
    start = 0
    while any(values[start:]):
        # As many columns at a time as one number can rank.
        end = start + 1
        span = limits[start] + 1
        while end < len(limits) and span * (limits[end] + 1) <= _RANKED:
            span *= limits[end] + 1
            end += 1
        costs = [0] * len(limits)
        for column in range(start, end):
            span //= limits[column] + 1
            costs[column] = -span
        values = _least_known(costs, limits, rows)
        rows += [Row({j: 1}, least=values[j], most=values[j]) for j in range(start, end)]
        start = end
    return values


def _least_known(costs: Sequence[int], limits: Sequence[int], rows: Sequence[Row]) -> list[int]:
    """Return the least values where there are some for certain."""
    values = least_values(costs, limits, rows)
    if values is None:
        raise SolverFailed("a solution that was found before is found no more")
    return values
