"""Least-cost multisets of packs that cover a multiset of needs, exact."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final, Generic, TypeVar

from msgspec import Struct

from kitwright.errors import KitwrightError
from kitwright.memory import MIB, Memory
from kitwright.solve import Orderable
from kitwright.solve._guide import known_cover
from kitwright.solve._program import SolverFailed
from kitwright.solve._reduce import Column, NoCover, Problem, parts, reduced, supply, trimmed
from kitwright.solve._sweep import swept

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

__all__ = [
    "Cover",
    "CoverError",
    "DuplicatePack",
    "NegativeNeed",
    "Pack",
    "Shortage",
    "SolverFailed",
    "Uncoverable",
    "least_cover",
]

P = TypeVar("P", bound=Orderable)
N = TypeVar("N", bound=Orderable)


class Pack(Struct, Generic[P, N], frozen=True, kw_only=True):
    """A kind of pack that may be taken several times: its contents and the cost of one copy.

    `holds` counts its contents, each above zero. `cost` is in minor units, zero or more. `limit` is
    the most copies that may be taken, None for any number. Packs with the same `group` are
    alternatives: at most one copy of all of them is taken.
    """

    id: P
    holds: Mapping[N, int]
    cost: int
    limit: int | None = None
    group: str | None = None

    def __post_init__(self) -> None:
        if any(count <= 0 for count in self.holds.values()):
            raise ValueError(f"pack {self.id!r} holds a count that is not above zero")
        if self.cost < 0:
            raise ValueError(f"pack {self.id!r} costs less than nothing")
        if self.limit is not None and self.limit < 0:
            raise ValueError(f"pack {self.id!r} has a limit below zero")


class Cover(Struct, Generic[P, N], frozen=True, kw_only=True):
    """Packs that cover the needs: each id with its number of copies, in ascending order of ids.

    `cost` is the cost of all copies, in minor units. `left_over` are their contents beyond the
    needs, each above zero, in ascending order. If `is_proven` is false, the search was cut short,
    and a better cover may exist.
    """

    packs: tuple[tuple[P, int], ...]
    cost: int
    left_over: Mapping[N, int]
    is_proven: bool = True


class Shortage(Struct, Generic[N], frozen=True, kw_only=True):
    """A need, the amount wanted, and the amount that all packs could supply for it alone."""

    need: N
    wanted: int
    available: int


class CoverError(KitwrightError):
    """A covering problem that is invalid or has no solution."""

    code = "cover-error"


class DuplicatePack(CoverError):
    """Several packs have the same id."""

    code = "duplicate-pack"

    def __init__(self, ids: Sequence[Any]) -> None:
        super().__init__(f"more than one pack with the id {', '.join(map(repr, ids))}")
        self.ids = tuple(ids)


class NegativeNeed(CoverError, ValueError):
    """A need is negative."""

    code = "negative-need"

    def __init__(self, needs: Sequence[Any]) -> None:
        super().__init__(f"a need below zero for {', '.join(map(repr, needs))}")
        self.needs = tuple(needs)


class Uncoverable(CoverError):
    """Needs that the packs cannot cover.

    If `is_joint` is true, the packs could cover each of the needs by itself, but the alternatives
    among them cannot cover all needs together.
    """

    code = "uncoverable"

    def __init__(self, needs: Sequence[Shortage[Any]], *, is_joint: bool = False) -> None:
        short = ", ".join(f"{s.need!r} ({s.available} of {s.wanted})" for s in needs)
        super().__init__(
            f"not all at once to be covered: {short}" if is_joint else f"not covered: {short}"
        )
        self.needs = tuple(needs)
        self.is_joint = is_joint


def least_cover(
    needs: Mapping[N, int],
    packs: Iterable[Pack[P, N]],
    *,
    unaided_steps: int = 20_000,
    most_steps: int = 250_000,
) -> Cover[P, N]:
    """Return the packs of least cost that contain at least the needs.

    In a tie, the cover with the fewest packs is returned, then that with the smallest tuple of ids
    in ascending order, each id repeated for its copies. The order of `needs` and `packs` makes no
    difference.

    Args:
        needs: counts, zero or more; without any, the cover is empty.
        packs: with different ids.
        unaided_steps: after this many steps of the search, an integer-program solver is used to
            guide it. Loading the solver takes a while; the answer is the same.
        most_steps: after this many steps of a guided search, the solver's own cover is returned.
            Most likely it has the least cost, but `is_proven` is false and ties are not resolved.

    Raises: DuplicatePack, NegativeNeed, Uncoverable, SolverFailed.
    """
    by_id = sorted(packs, key=lambda pack: pack.id)
    if repeated := [pack.id for pack, after in pairwise(by_id) if pack.id == after.id]:
        raise DuplicatePack(sorted(set(repeated)))
    if negative := [need for need, count in needs.items() if count < 0]:
        raise NegativeNeed(sorted(negative))
    wanted = {need: needs[need] for need in sorted(needs) if needs[need]}
    names = [*wanted]
    problem = trimmed(Problem(dict(enumerate(wanted.values())), _columns(by_id, wanted)))
    given = supply(problem.columns)
    if short := [number for number, count in problem.wanted.items() if given[number] < count]:
        raise Uncoverable(
            [Shortage(need=names[n], wanted=problem.wanted[n], available=given[n]) for n in short]
        )
    copies: Counter[int] = Counter()
    is_proven = True
    for part in parts(problem):
        try:
            more, is_sure = _remembered(part, unaided_steps, most_steps)
        except NoCover:
            # If packs without alternatives suffice, no alternative is an obstacle.
            sure = supply(column for column in part.columns if column.group is None)
            torn = [
                Shortage(need=names[n], wanted=count, available=count)
                for n, count in part.wanted.items()
                if sure[n] < count
            ]
            raise Uncoverable(torn, is_joint=True) from None
        copies += more
        is_proven = is_proven and is_sure
    chosen = [(by_id[rank], copies[rank]) for rank in sorted(copies)]
    left_over: Counter[N] = Counter()
    for pack, count in chosen:
        left_over.update({need: held * count for need, held in pack.holds.items()})
    left_over.subtract(needs)
    return Cover(
        packs=tuple((pack.id, count) for pack, count in chosen),
        cost=sum(pack.cost * count for pack, count in chosen),
        left_over={need: left_over[need] for need in sorted(left_over) if left_over[need]},
        is_proven=is_proven,
    )


def _columns(packs: Iterable[Pack[P, N]], wanted: Mapping[N, int]) -> list[Column]:
    numbers = {need: number for number, need in enumerate(wanted)}
    most = max(wanted.values(), default=0)
    columns = []
    for rank, pack in enumerate(packs):
        holds = {numbers[need]: count for need, count in pack.holds.items() if need in numbers}
        limit = most if pack.limit is None else pack.limit
        columns.append(
            Column(
                rank=rank,
                holds=holds,
                cost=pack.cost,
                limit=limit if pack.group is None else min(limit, 1),
                group=pack.group,
                is_ample=False,
            )
        )
    return columns


Shape = tuple[tuple[int, ...], tuple[tuple[tuple[tuple[int, int], ...], int, int, int | None], ...]]
"""A problem with its numbers normalised: the amount wanted of each need; and by rank, for each
column, its contents by need, its cost, its limit and its group.
"""


def _remembered(part: Problem, unaided_steps: int, most_steps: int) -> tuple[Counter[int], bool]:
    """Return the result of `_best`, cached. Problems that differ only in the numbers given to their
    needs and columns, which only define an order, have the same answer.
    """
    needs = {need: number for number, need in enumerate(sorted(part.wanted))}
    columns = sorted(part.columns, key=lambda column: column.rank)
    groups: dict[str, int] = {}
    shape: Shape = (
        tuple(part.wanted[need] for need in needs),
        tuple(
            (
                tuple(sorted((needs[need], count) for need, count in column.holds.items())),
                column.cost,
                column.limit,
                None if column.group is None else groups.setdefault(column.group, len(groups)),
            )
            for column in columns
        ),
    )
    copies, is_proven = SHAPES.get(
        (shape, unaided_steps, most_steps), lambda: _best_of_shape(shape, unaided_steps, most_steps)
    )
    return Counter({columns[place].rank: count for place, count in copies}), is_proven


SHAPES: Final = Memory(12 * MIB)
"""The cache of best covers, by shape."""


def _best_of_shape(
    shape: Shape, unaided_steps: int, most_steps: int
) -> tuple[tuple[tuple[int, int], ...], bool]:
    wanted, columns = shape
    problem = Problem(
        dict(enumerate(wanted)),
        [
            Column(
                rank=place,
                holds=dict(holds),
                cost=cost,
                limit=limit,
                group=None if group is None else str(group),
                is_ample=False,
            )
            for place, (holds, cost, limit, group) in enumerate(columns)
        ],
    )
    copies, is_proven = _best(problem, unaided_steps, most_steps)
    return tuple(copies.items()), is_proven


def _best(part: Problem, unaided_steps: int, most_steps: int) -> tuple[Counter[int], bool]:
    """Return the copies of the best cover found, by rank, and whether it is proven the best."""
    copies, rest = reduced(part)
    is_proven = True
    for piece in parts(rest):
        more = swept(piece, unaided_steps)
        if more is None:
            more, is_sure = _guided(piece, unaided_steps, most_steps)
            is_proven = is_proven and is_sure
        copies += more
    return copies, is_proven


def _guided(piece: Problem, unaided_steps: int, most_steps: int) -> tuple[Counter[int], bool]:
    known = known_cover(piece)
    if known is None:
        # The solver's answer alone is not enough to report that there is no cover.
        found = swept(piece, most_steps)
        if found is None:
            raise SolverFailed("it sees no cover, and the search for one is too long")
        return found, True
    copies, guide = known
    less = guide.worthwhile(piece)
    if len(less.columns) < len(piece.columns):
        return _best(less, unaided_steps, most_steps)
    found = swept(piece, most_steps, guide)
    return (copies, False) if found is None else (found, True)
