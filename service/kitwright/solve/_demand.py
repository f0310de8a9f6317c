"""What needs demand of offers, as a covering problem.

Several needs may take pieces of one kind, and some of them pieces of other kinds as well. Whether
pieces can be shared out among needs shows in sums: any needs together want at most what all offers
that fill any of them hold (Hall's theorem, for amounts that flow). So for each such set of offers
there is one row, with the sum of the needs that only these offers fill.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Any, Generic, NamedTuple, TypeVar

from msgspec import Struct

from kitwright.solve import Orderable

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from kitwright.solve.buying import Need, Offer

N = TypeVar("N", bound=Orderable)
F = TypeVar("F", bound=Orderable)
K = TypeVar("K", bound=Orderable)


class Use(Struct, Generic[N, F, K], frozen=True):
    """Pieces of a kind, out of the packs of an offer, that are for a need."""

    need: N
    offer: F
    kind: K
    count: int


class Row(NamedTuple):
    """A number of pieces that is wanted of some offers: what a pack of each counts for, and the
    places of the needs.
    """

    wanted: int
    holds: Mapping[int, int]
    needs: tuple[int, ...]


class _Class(NamedTuple):
    """Needs that take the same pieces: the pieces as bits, their sum, and their places."""

    pieces: int
    wanted: int
    needs: tuple[int, ...]


class Demand(Generic[N, F, K]):
    """The rows of some needs, by place in their order and that of the offers."""

    def __init__(self, needs: Sequence[Need[N, K]], offers: Sequence[Offer[F, Any, K]]) -> None:
        # a piece: one kind in one offer
        self._held: list[tuple[int, int]] = []
        by_kind: dict[K, list[tuple[int, int]]] = {}
        for place, offer in enumerate(offers):
            for kind, count in sorted(offer.holds.items()):
                by_kind.setdefault(kind, []).append((offer.day, len(self._held)))
                self._held.append((place, count))
        pieces: dict[int, list[int]] = {}
        for place, need in enumerate(needs):
            fitting = 0
            for kind in need.kinds:
                for day, piece in by_kind.get(kind, ()):
                    if need.by is None or day <= need.by:
                        fitting |= 1 << piece
            pieces.setdefault(fitting, []).append(place)
        classes = [
            _Class(fitting, sum(needs[place].count for place in places), tuple(places))
            for fitting, places in pieces.items()
        ]
        self.rows = [row for some in _connected(classes) for row in self._rows(some)]
        self.useful = self._useful(classes, len(offers))
        """By offer, the number of packs that would fill all that it can fill."""

    def _rows(self, classes: Sequence[_Class]) -> list[Row]:
        unions = {each.pieces for each in classes}
        waiting = deque(sorted(unions))
        while waiting:
            one = waiting.popleft()
            for other in [union for union in unions if union & one]:
                if one | other not in unions:
                    unions.add(one | other)
                    waiting.append(one | other)
        rows = []
        for union in sorted(unions):
            inside = [each for each in classes if each.pieces | union == union]
            holds: dict[int, int] = {}
            for place, count in self._pieces(union):
                holds[place] = holds.get(place, 0) + count
            needs = tuple(sorted(place for each in inside for place in each.needs))
            rows.append(Row(sum(each.wanted for each in inside), holds, needs))
        return rows

    def _pieces(self, mask: int) -> list[tuple[int, int]]:
        found = []
        while mask:
            low = mask & -mask
            found.append(self._held[low.bit_length() - 1])
            mask ^= low
        return found

    def _useful(self, classes: Sequence[_Class], count: int) -> list[int]:
        wanted = [0] * len(self._held)
        for each in classes:
            mask = each.pieces
            while mask:
                low = mask & -mask
                wanted[low.bit_length() - 1] += each.wanted
                mask ^= low
        useful = [0] * count
        for (place, held), most in zip(self._held, wanted, strict=True):
            if place < count:
                useful[place] = max(useful[place], -(-most // held))
        return useful


def _connected(classes: Sequence[_Class]) -> list[list[_Class]]:
    """Return the classes in groups that have no pieces in common."""
    groups: list[tuple[int, list[_Class]]] = []
    for each in classes:
        pieces, joined = each.pieces, [each]
        apart = []
        for group in groups:
            if group[0] & each.pieces:
                pieces |= group[0]
                joined = [*group[1], *joined]
            else:
                apart.append(group)
        groups = [*apart, (pieces, joined)]
    return [joined for _, joined in groups]


def allotted(
    needs: Sequence[Need[N, K]],
    taken: Sequence[tuple[Offer[F, Any, K], int]],
) -> tuple[Use[N, F, K], ...]:
    """Return which pieces of the packs that are taken are for which need, by need.

    The needs can be filled. They are filled in turn; if no piece is left for one, those of an
    earlier one are exchanged for others (augmenting paths).
    """
    pieces = [
        (offer, kind, count * packs)
        for offer, packs in taken
        for kind, count in sorted(offer.holds.items())
    ]
    fits = [
        [
            piece
            for piece, (offer, kind, _) in enumerate(pieces)
            if kind in need.kinds and (need.by is None or offer.day <= need.by)
        ]
        for need in needs
    ]
    free = [count for _, _, count in pieces]
    given: list[dict[int, int]] = [{} for _ in fits]
    for place, need in enumerate(needs):
        rest = need.count
        while rest:
            amount = _give(place, rest, fits, free, given)
            if not amount:
                raise AssertionError("needs whose rows are covered can be filled")
            rest -= amount
    return tuple(
        Use(need.id, pieces[piece][0].id, pieces[piece][1], count)
        for need, of_need in zip(needs, given, strict=True)
        for piece, count in sorted(of_need.items())
        if count
    )


def _give(
    start: int,
    wanted: int,
    fits: Sequence[Sequence[int]],
    free: list[int],
    given: Sequence[dict[int, int]],
) -> int:
    """Give a need some pieces, over a shortest path of exchanges; return how many, zero if there
    are none.
    """
    came: dict[int, tuple[int, int]] = {}
    seen = {start}
    waiting = deque([start])
    while waiting:
        need = waiting.popleft()
        for piece in fits[need]:
            if piece in came:
                continue
            came[piece] = need, piece
            if free[piece]:
                return _exchange(start, wanted, piece, came, free, given)
            for other, has in enumerate(given):
                if other not in seen and has.get(piece):
                    seen.add(other)
                    waiting.append(other)
                    came[-1 - other] = other, piece
    return 0


def _exchange(
    start: int,
    wanted: int,
    last: int,
    came: Mapping[int, tuple[int, int]],
    free: list[int],
    given: Sequence[dict[int, int]],
) -> int:
    path = [(came[last][0], last)]
    amount = min(wanted, free[last])
    while path[-1][0] != start:
        need = path[-1][0]
        piece = came[-1 - need][1]
        amount = min(amount, given[need][piece])
        path.append((came[piece][0], piece))
    free[last] -= amount
    for place, (need, piece) in enumerate(path):
        given[need][piece] = given[need].get(piece, 0) + amount
        if place:
            given[path[place - 1][0]][piece] -= amount
    return amount
