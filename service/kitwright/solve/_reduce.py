"""A covering problem in numbers, and reductions of it that preserve its one best cover.

The best cover has the least cost, then the fewest packs, then the smallest tuple of ids in
ascending order. Needs and ids are numbers here; ids are numbered in their order.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping


class Column(NamedTuple):
    """A kind of pack, with its useful contents and copies only."""

    rank: int
    """The place of its id in the order of all ids."""
    holds: Mapping[int, int]
    """Contents by need, never more than is wanted."""
    cost: int
    limit: int
    """The most copies, never more than can be useful."""
    group: str | None
    """If not None, at most one copy in total may be taken from the columns of the group."""
    is_ample: bool
    """Whether no cover can need more copies than `limit`."""


class Problem(NamedTuple):
    """Needs to be covered, and the columns to cover them with."""

    wanted: Mapping[int, int]
    columns: Sequence[Column]


Stage = Sequence[Column]
"""Columns of which only one can be taken."""


class NoCover(Exception):
    """The columns cannot cover all the needs together."""


class Scale:
    """Encodes the copies taken as a whole number, so that the least number is the best cover.

    The highest digits are the cost, the next are the count. Then follow the copies of each column,
    the smallest id first; they are subtracted, because more of a smaller id is better.
    """

    def __init__(self, columns: Sequence[Column]) -> None:
        self._ranks = sorted((column.rank for column in columns), reverse=True)
        self._width = sum(column.limit for column in columns).bit_length()
        self._digits = self._width * len(columns)

    def value(self, column: Column) -> int:
        """Return the cost and the count of one copy as one number."""
        return (column.cost << self._width) + 1

    def weights(self, columns: Sequence[Column]) -> dict[int, int]:
        """Return the weight of one copy of each column, by rank."""
        shift = {rank: self._width * place for place, rank in enumerate(self._ranks)}
        return {c.rank: (self.value(c) << self._digits) - (1 << shift[c.rank]) for c in columns}

    def value_of(self, weight: int) -> int:
        """Return the cost and the count, as one number, of a cover of this weight."""
        return -(-weight >> self._digits)

    def copies_of(self, weight: int) -> Counter[int]:
        """Return the copies of each column in a cover of this weight, by rank."""
        copies = -weight & ((1 << self._digits) - 1)
        each = (1 << self._width) - 1
        return Counter({r: copies >> self._width * p & each for p, r in enumerate(self._ranks)})


def reduced(problem: Problem) -> tuple[Counter[int], Problem]:
    """Return the copies that are certain to be in the best cover, by rank, and the rest.

    The rest is the problem that is left to solve.

    Raises: NoCover, if the reduction shows that there is none.
    """
    taken: Counter[int] = Counter()
    while True:
        problem = _undominated(trimmed(problem))
        forced = _forced(problem)
        if not forced:
            return taken, problem
        taken.update(forced)
        problem = _after(problem, forced)


def parts(problem: Problem) -> list[Problem]:
    """Return the problem split into independent parts; each part has its own best cover."""
    need_of: dict[str, int] = {}
    leader = {need: need for need in problem.wanted}

    def find(need: int) -> int:
        while leader[need] != need:
            leader[need] = need = leader[leader[need]]
        return need

    for column in problem.columns:
        first = next(iter(column.holds))
        if column.group is not None:
            leader[find(first)] = find(need_of.setdefault(column.group, first))
        for need in column.holds:
            leader[find(need)] = find(first)
    wanted: dict[int, dict[int, int]] = defaultdict(dict)
    columns: dict[int, list[Column]] = defaultdict(list)
    for need, count in problem.wanted.items():
        wanted[find(need)][need] = count
    for column in problem.columns:
        columns[find(next(iter(column.holds)))].append(column)
    return [Problem(wanted[root], columns[root]) for root in wanted]


def stages_of(problem: Problem) -> list[Stage]:
    """Return the columns, each alone or with the others of its group."""
    grouped: dict[str, list[Column]] = defaultdict(list)
    for column in problem.columns:
        if column.group is not None:
            grouped[column.group].append(column)
    return [*([c] for c in problem.columns if c.group is None), *grouped.values()]


def supply(columns: Iterable[Column]) -> Counter[int]:
    """Return the most of each need that the columns can supply, one need at a time."""
    total: Counter[int] = Counter()
    best: dict[tuple[str, int], int] = {}
    for column in columns:
        for need, count in column.holds.items():
            if column.group is None:
                total[need] += count * column.limit
            else:
                key = column.group, need
                best[key] = max(best.get(key, 0), count)
    for (_, need), count in best.items():
        total[need] += count
    return total


def trimmed(problem: Problem) -> Problem:
    """Return the problem without columns, contents and copies that are of no use."""
    columns = []
    for column in problem.columns:
        holds = {
            need: min(count, problem.wanted[need])
            for need, count in column.holds.items()
            if need in problem.wanted
        }
        if holds and column.limit:
            useful = max(-(-problem.wanted[need] // count) for need, count in holds.items())
            limit = min(column.limit, useful)
            columns.append(column._replace(holds=holds, limit=limit, is_ample=limit == useful))
    members = Counter(column.group for column in columns)
    return Problem(
        problem.wanted,
        [c._replace(group=None) if members[c.group] == 1 else c for c in columns],
    )


def _undominated(problem: Problem) -> Problem:
    """Return the problem without the columns that a better cover never needs."""
    holders: dict[int, list[Column]] = defaultdict(list)
    for column in problem.columns:
        for need in column.holds:
            holders[need].append(column)

    def price(need: int, count: int) -> int | None:
        prices = (
            -(-count // other.holds[need]) * other.cost
            for other in holders[need]
            if other.is_ample and other.group is None
        )
        return min(prices, default=None)

    def is_beaten(column: Column) -> bool:
        rarest = min(column.holds, key=lambda need: len(holders[need]))
        if any(_beats(other, column) for other in holders[rarest]):
            return True
        # Its contents bought one need at a time. If it is the cheapest itself, it can't win.
        prices = [price(need, count) for need, count in column.holds.items()]
        return None not in prices and sum(filter(None, prices)) < column.cost

    # A column may be removed because of another that is removed too: the one that replaces the
    # latter is better still, and so on, to one that remains.
    return problem._replace(columns=[c for c in problem.columns if not is_beaten(c)])


def _beats(column: Column, other: Column) -> bool:
    """Return whether one column in place of the other, copy for copy, is a better cover."""
    return (
        (column.cost, column.rank) < (other.cost, other.rank)
        and (column.is_ample if column.group is None else column.group == other.group)
        and all(column.holds.get(need, 0) >= count for need, count in other.holds.items())
    )


def _forced(problem: Problem) -> Counter[int]:
    """Return the copies without which a need could not be covered, by rank."""
    total = supply(problem.columns)
    spare = {need: total[need] - count for need, count in problem.wanted.items()}
    if any(count < 0 for count in spare.values()):
        raise NoCover
    members: dict[str | None, list[Column]] = defaultdict(list)
    for column in problem.columns:
        members[column.group].append(column)
    forced: Counter[int] = Counter()
    for group, columns in members.items():
        for column in columns:
            for need, count in column.holds.items():
                gives = count * column.limit
                if group is not None:
                    # Without it the group still gives what its next best has.
                    rest = (c.holds.get(need, 0) for c in columns if c is not column)
                    gives -= max(rest, default=0)
                if gives > spare[need]:
                    copies = -(-(gives - spare[need]) // count)
                    forced[column.rank] = max(forced[column.rank], copies)
        if group is not None and sum(forced[column.rank] for column in columns) > 1:
            raise NoCover
    return +forced


def _after(problem: Problem, forced: Mapping[int, int]) -> Problem:
    """Return the problem that is left after copies are taken."""
    wanted = dict(problem.wanted)
    spent = set()
    for column in problem.columns:
        for need, count in column.holds.items():
            wanted[need] -= count * forced.get(column.rank, 0)
        if column.rank in forced and column.group is not None:
            spent.add(column.group)
    return Problem(
        {need: count for need, count in wanted.items() if count > 0},
        [
            column._replace(limit=column.limit - forced.get(column.rank, 0))
            for column in problem.columns
            if column.group not in spent
        ],
    )
