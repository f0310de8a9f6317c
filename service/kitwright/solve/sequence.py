"""An order of items under precedence and exclusive holds, with the fewest changes of label, exact.

Every item has a label on each of some levels, such as a place, a side and a tool, the most
important level first. Of all valid orders, the one with the fewest changes on the first level is
returned, then on the second, and so on. An item without a label on a level fits any.

A hold takes something exclusive from one item until another. In between, no other item may take it,
and no item may be done that needs it free.
"""

from __future__ import annotations

from heapq import heappop, heappush
from itertools import combinations
from typing import TYPE_CHECKING, Any, Final, Generic, TypeVar

from msgspec import Struct

from kitwright.errors import KitwrightError
from kitwright.solve._choices import bits, gather, union

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence

T = TypeVar("T", bound="Hashable")

STATES: Final = 2_000
"""The states that a search looks at by default before it returns the best order known."""


class Entry(Struct, Generic[T], frozen=True, kw_only=True):
    """What an order has to respect about one item.

    Attributes:
        after: the items that come before it; those that are not to be ordered do not count.
        labels: its label on each level, the most important first; None fits any.
        takes: what it takes exclusively, until the item `until`; None if it takes nothing.
        needs_free: what nothing may hold while it is done.
    """

    after: tuple[T, ...] = ()
    labels: tuple[str | None, ...] = ()
    takes: str | None = None
    until: T | None = None
    needs_free: tuple[str, ...] = ()


class Order(Struct, Generic[T], frozen=True, kw_only=True):
    """Items in a valid order, and how often each level changes its label.

    `bound` holds the fewest changes that any valid order can have, as far as that is known: at the
    first level on which it differs from `changes`, it is lower. `is_least` says that they are
    equal: no valid order has fewer changes.
    """

    items: tuple[T, ...]
    changes: tuple[int, ...]
    bound: tuple[int, ...]

    @property
    def is_least(self) -> bool:
        """Whether no valid order has fewer changes."""
        return self.changes == self.bound


class SequenceError(KitwrightError):
    """Items that can't be ordered."""

    code = "sequence-error"


class Circle(SequenceError):
    """Items that have to come after one another in a circle: each after the next."""

    code = "sequence-circle"

    def __init__(self, items: Sequence[Any]) -> None:
        told = " after ".join(map(repr, [*items, items[0]]))
        super().__init__(f"no order is possible: {told}")
        self.items = tuple(items)


class Clash(SequenceError):
    """Holds that can't be taken in any order, so that the items in `left` can't be done."""

    code = "sequence-clash"

    def __init__(self, left: Sequence[Any]) -> None:
        super().__init__(f"holds exclude one another, so these can't be done: {_listed(left)}")
        self.left = tuple(left)


def _listed(items: Iterable[Any]) -> str:
    return ", ".join(map(repr, items))


def order_items(entries: Mapping[T, Entry[T]], *, states: int = STATES) -> Order[T]:
    """Return the items in a valid order with the fewest changes of label, level by level.

    Orders with equal changes are told apart by the order of `entries` alone: what stands earlier
    comes earlier where nothing is lost by it.

    Args:
        entries: the items to order; all have equally many labels.
        states: how many states the search may look at. If that is not enough, the order is the
            best one found, and `bound` says how much better another could be.

    Raises: Circle, Clash.
    """
    given = {name: place for place, name in enumerate(entries)}
    waits = [[given[name] for name in row.after if name in given] for row in entries.values()]
    told = [*entries]
    turn = _in_turn(told, waits)
    names = tuple([told[place] for place in turn])
    places = {name: place for place, name in enumerate(names)}
    rows = [entries[name] for name in names]
    bit = {place: 1 << at for at, place in enumerate(turn)}
    after = [union([bit[other] for other in waits[place]]) for place in turn]
    levels = _Levels([row.labels for row in rows])
    return _Search(names, after, levels, _holds(rows, places)).run(states)


def _in_turn(names: Sequence[T], waits: Sequence[Sequence[int]]) -> list[int]:
    """Return places so that each comes after all that it waits for, otherwise in ascending order.

    Raises: Circle.
    """
    before: list[list[int]] = [[] for _ in names]
    for place, others in enumerate(waits):
        for other in others:
            before[other].append(place)
    left = [*map(len, waits)]
    ready = [place for place, count in enumerate(left) if not count]
    found = []
    while ready:
        place = heappop(ready)
        found.append(place)
        for other in before[place]:
            left[other] -= 1
            if not left[other]:
                heappush(ready, other)
    if len(found) < len(names):
        raise Circle(
            _circle(
                {
                    names[place]: {names[other] for other in waits[place] if left[other]}
                    for place, count in enumerate(left)
                    if count
                }
            )
        )
    return found


def _circle(waits: Mapping[T, set[T]]) -> list[T]:
    """Return a circle among items each of which waits for another one of them."""
    path = [next(iter(waits))]
    while True:
        name = next(other for other in waits if other in waits[path[-1]])
        if name in path:
            return path[path.index(name) :]
        path.append(name)


def _below(after: Sequence[int]) -> list[int]:
    """Return, for each item, itself and all items that wait for it; the items are in turn."""
    below = [1 << place for place in range(len(after))]
    for place in reversed(range(len(after))):
        left = after[place]
        while left:
            other = left.bit_length() - 1
            below[other] |= below[place]
            # what this one waits for has all below it anyway, once it is its turn
            left &= ~(1 << other | after[other])
    return below


class _Hold(Struct, frozen=True):
    """A hold as masks: its first and last item, and the items that it keeps waiting."""

    first: int
    last: int
    waiting: int


def _holds(rows: Sequence[Entry[T]], places: Mapping[T, int]) -> tuple[_Hold, ...]:
    takers: dict[str, int] = {}
    waiting: dict[str, int] = {}
    for place, row in enumerate(rows):
        if row.takes is not None:
            takers[row.takes] = takers.get(row.takes, 0) | 1 << place
        for thing in row.needs_free:
            waiting[thing] = waiting.get(thing, 0) | 1 << place
    found = []
    for place, row in enumerate(rows):
        if row.takes is not None:
            end = places.get(row.until) if row.until is not None else None
            last = 0 if end is None else 1 << end
            # what ends a hold does not wait for it
            kept = (takers[row.takes] | waiting.get(row.takes, 0)) & ~(1 << place | last)
            found.append(_Hold(1 << place, last, kept))
    return tuple(found)


class _Levels:
    """The labels of all items as masks, by level, and what a change on each level weighs."""

    def __init__(self, labels: Sequence[tuple[str | None, ...]]) -> None:
        self.count = len(labels[0]) if labels else 0
        base = len(labels) + 1
        self.weights = [base ** (self.count - 1 - level) for level in range(self.count)]
        self.labels = labels
        self.by: list[dict[str, int]] = [{} for _ in range(self.count)]
        self.any = [0] * self.count
        self._next: dict[tuple[_Labels, int], _Labels] = {}
        self._fitting: dict[_Labels, int] = {}
        for place, row in enumerate(labels):
            for level, label in enumerate(row):
                if label is None:
                    self.any[level] |= 1 << place
                else:
                    of_level = self.by[level]
                    of_level[label] = of_level.get(label, 0) | 1 << place

    def fitting(self, now: tuple[str | None, ...]) -> int:
        """Return the items that change nothing after an item with the labels `now`."""
        mask = self._fitting.get(now)
        if mask is None:
            mask = -1
            for level, label in enumerate(now):
                mask &= self.any[level] | (0 if label is None else self.by[level][label])
            self._fitting[now] = mask
        return mask

    def next(self, now: tuple[str | None, ...], place: int) -> tuple[str | None, ...]:
        """Return the labels after an item: those that it lacks stay."""
        then = self._next.get((now, place))
        if then is None:
            pairs = zip(now, self.labels[place], strict=True)
            then = tuple([old if new is None else new for old, new in pairs])
            self._next[now, place] = then
        return then

    def cost(self, now: tuple[str | None, ...], then: tuple[str | None, ...]) -> int:
        """Return the weight of a step from some labels to others; from none it is free."""
        return sum(
            weight
            for weight, old, new in zip(self.weights, now, then, strict=True)
            if old is not None and old != new
        )

    def apart(self, now: _Labels, place: int) -> tuple[bool, ...]:
        """Return on which levels an item has not the label `now`."""
        pairs = zip(self.labels[place], now, strict=True)
        return tuple([label != here for label, here in pairs])

    def split(self, cost: int) -> tuple[int, ...]:
        """Return a weight as the number of changes on each level."""
        found = []
        for weight in self.weights:
            found.append(cost // weight)
            cost %= weight
        return tuple(found)


_Labels = tuple[str | None, ...]


class _Search(Generic[T]):
    """A search among the sets of items done so far, best first (A*).

    From each state, every item that changes nothing is done at once: moving it to an earlier place
    can't add a change. Only items that take a hold are not, because others then have to wait.
    """

    def __init__(
        self,
        names: tuple[T, ...],
        after: Sequence[int],
        levels: _Levels,
        holds: tuple[_Hold, ...],
    ) -> None:
        self.names = names
        self.after = after
        self.levels = levels
        self.holds = holds
        self.all = (1 << len(names)) - 1
        self.takers = union(hold.first for hold in holds if hold.last)
        self.below = _below(after)
        self._waits: dict[int, int] = {}

    def run(self, states: int) -> Order[T]:
        start: _Labels = (None,) * self.levels.count
        done, taken = self._settle(0, start)
        best = {(done, start): 0}
        heap: list[tuple[int, int, int, int, int, _Labels, Any]] = []
        heappush(heap, (0, 0, 0, 0, done, start, (taken, None)))
        while heap:
            least, rank, count, spent, done, now, path = heappop(heap)
            if spent > best[done, now]:
                # it has been reached for less in the meantime
                continue
            if done == self.all:
                return self._order(path, spent, spent)
            # what is left is only worked out for states whose turn it seems to be
            left = spent + self._left(done, now)
            if left > least:
                heappush(heap, (left, rank, count, spent, done, now, path))
                continue
            if len(best) > states:
                rest, more = self._hurry(done, now)
                if rest is not None:
                    return self._order((rest, path), spent + more, least)
                states += states
            for cost, after, then, added in self._next(done, now):
                total = spent + cost
                if total < best.get((after, then), total + 1):
                    best[after, then] = total
                    step = max(least, total), -after.bit_count(), len(best)
                    heappush(heap, (*step, total, after, then, (added, path)))
        raise Clash([self.names[place] for place in bits(self.all & ~self._reached(best))])

    def _next(self, done: int, now: _Labels) -> Iterator[tuple[int, int, _Labels, tuple[int, ...]]]:
        """Yield the weight of each step that may come next, the items done and the labels after
        it, and what is added to the order.
        """
        levels = self.levels
        for place in self._branches(done, now):
            then = levels.next(now, place)
            after, taken = self._settle(done | 1 << place, then)
            yield levels.cost(now, then), after, then, (place, *taken)

    def _reached(self, best: Iterable[tuple[int, _Labels]]) -> int:
        return max((done for done, _ in best), key=int.bit_count)

    def _hurry(self, done: int, now: _Labels) -> tuple[tuple[int, ...] | None, int]:
        """Return the items left, always in the way that looks best next, and their changes; None
        if that way leads nowhere.
        """
        taken: list[int] = []
        spent = 0
        while done != self.all:
            options = [
                (
                    cost + self._left(after, then),
                    -after.bit_count(),
                    added[0],
                    cost,
                    after,
                    then,
                    added,
                )
                for cost, after, then, added in self._next(done, now)
            ]
            if not options:
                return None, 0
            _, _, _, cost, done, now, added = min(options)
            spent += cost
            taken += added
        return tuple(taken), spent

    def _order(self, path: Any, spent: int, bound: int) -> Order[T]:
        parts = []
        while path is not None:
            part, path = path
            parts.append(part)
        order = [place for part in reversed(parts) for place in part]
        items = tuple(self.names[place] for place in self._nearest_first(order))
        split = self.levels.split
        return Order(items=items, changes=split(spent), bound=split(bound))

    def _nearest_first(self, order: list[int]) -> Iterator[int]:
        """Yield the items of an order, those of each run that change nothing by how much they have
        in common with it: what fits anywhere comes after what belongs to the run.
        """
        levels, done = self.levels, 0
        now: _Labels = (None,) * levels.count
        while order:
            first = order[0]
            now = levels.next(now, first)
            fitting = levels.fitting(now) & ~self.takers
            end = 1
            while end < len(order) and fitting >> order[end] & 1:
                end += 1
            run, order = order[1:end], order[end:]
            yield first
            done |= 1 << first
            run.sort(key=lambda place: levels.apart(now, place))
            while run:
                waiting = self._kept_waiting(done)
                place = next(
                    place
                    for place in run
                    if not self.after[place] & ~done and not waiting >> place & 1
                )
                run.remove(place)
                yield place
                done |= 1 << place

    def _kept_waiting(self, done: int) -> int:
        """Return the items that wait for a hold to end."""
        waiting = 0
        for hold in self.holds:
            if hold.first & done and hold.last & ~done:
                waiting |= hold.waiting
        return waiting

    def _settle(self, done: int, now: _Labels) -> tuple[int, tuple[int, ...]]:
        """Return the items done after all that change nothing, and these in their order."""
        after = self.after
        taken: list[int] = []
        fitting = self.levels.fitting(now) & self.all & ~self.takers
        is_more = True
        while is_more:
            count = len(taken)
            for place in bits(fitting & ~done & ~self._kept_waiting(done)):
                if not after[place] & ~done:
                    done |= 1 << place
                    taken.append(place)
            # items are in turn, so only the end of a hold can leave more
            is_more = bool(self.holds) and len(taken) > count
        return done, tuple(taken)

    def _branches(self, done: int, now: _Labels) -> Iterator[int]:
        """Yield the items that may come next, of those alike the first; a taker stands alone."""
        seen: set[_Labels] = set()
        for place in bits(self.all & ~done & ~self._kept_waiting(done)):
            if self.after[place] & ~done:
                continue
            if self.takers >> place & 1:
                yield place
                continue
            then = self.levels.next(now, place)
            if then not in seen:
                seen.add(then)
                yield place

    def _left(self, done: int, now: _Labels) -> int:
        """Return changes that cannot be avoided any more, as a weight."""
        left = self.all & ~done
        levels = self.levels
        total = 0
        for level, weight in enumerate(levels.weights):
            of_level = levels.by[level]
            open_ = [label for label, mask in of_level.items() if mask & left]
            fresh = len(open_) - (now[level] is None or now[level] in open_)
            if fresh > 0 and len(open_) > 1:
                fresh = max(fresh, self._alternating(done, now[level], level, open_))
            total += weight * max(0, fresh)
        return total

    def _alternating(self, done: int, now: str | None, level: int, labels: list[str]) -> int:
        """Return how often the label must change at least.

        Each two labels are looked at as if all others fitted any; each other label that is left
        needs a change of its own.
        """
        of_level = self.levels.by[level]
        most = 0
        for one, other in combinations(labels, 2):
            rest = sum(each not in (one, other, now) for each in labels)
            if now in (one, other):
                second = other if now == one else one
                turns = self._turns(done, of_level[now], of_level[second])
            else:
                turns = min(
                    self._turns(done, of_level[one], of_level[other]),
                    self._turns(done, of_level[other], of_level[one]),
                )
                turns += now is not None
            most = max(most, turns + rest)
        return most

    def _waiting(self, items: int) -> int:
        """Return some items and all that wait for them; asked again and again of the same."""
        found = self._waits.get(items)
        if found is None:
            found = self._waits[items] = gather(self.below, items)
        return found

    def _turns(self, done: int, first: int, second: int) -> int:
        """Return how often two groups of items have to alternate until all are done, beginning
        with the first; items in neither are done whenever they can be.
        """
        turns, shut, later = 0, second, first
        whole, both, waiting = self.all, first | second, self._waiting
        done |= whole & ~waiting(shut & ~done)
        while both & ~done:
            shut, later = later, shut
            turns += 1
            done |= whole & ~waiting(shut & ~done)
        return turns
