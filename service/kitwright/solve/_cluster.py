"""Clusters: faults connected by abnormal observations, with exact weights over all their sets.

The faults are processed one by one. The state is, for each set of signs that some cause has driven
to the level seen so far, the total weight of all choices that lead there. If a sign was seen at a
level, no cause may drive it higher, and at least one must reach the level. A sign is carried from
its first fault to its last. So the effort depends on the number of signs carried at a time, not on
the number of faults. A second pass, backwards, gives the shares of all faults at once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple, TypeVar

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Marks = NDArray[np.bool_]

    from kitwright.solve._sign import Sign

    Floats = NDArray[np.float64]

Kind = TypeVar("Kind", bound=np.generic)

MOST_CARRIED: Final = 11
"""If more signs are carried at a time, the weakest are left out; no real bench has so many."""


class Question(NamedTuple):
    """The inputs for weighing a cluster: for each fault, the logarithms of its chances of being
    present and absent, with all evidence about it alone; and a sign to leave out.
    """

    present: Sequence[float]
    absent: Sequence[float]
    without: int | None = None


class Masses(NamedTuple):
    """The weight of the sets with each fault, and of those without it: a row for each question, a
    column for each fault. The two weights of a fault have their own scale.

    `empty` is the share of the empty set in the first question, 0.0 if no set is possible.
    """

    present: Floats
    absent: Floats
    empty: float

    @property
    def is_possible(self) -> bool:
        """Whether any set is possible in the first question."""
        return bool((self.present[0] + self.absent[0] > 0.0).all())


class Cluster:
    """Some faults, and the signs that connect them, each linked to at least two of the faults."""

    def __init__(self, count: int, signs: Sequence[Sign]) -> None:
        self._count = count
        self._signs = dict(enumerate(signs))
        while True:
            self._order, carried = self._in_order()
            if len(carried) <= MOST_CARRIED:
                break
            del self._signs[min(carried, key=lambda one: (self._signs[one].weight(), one))]
        ends = {
            sign: fault
            for fault in self._order
            for sign, one in self._signs.items()
            if fault in one.links
        }
        starts = {
            sign: fault
            for fault in reversed(self._order)
            for sign, one in self._signs.items()
            if fault in one.links
        }
        self._first = {fault: [s for s in starts if starts[s] == fault] for fault in self._order}
        self._last = {fault: [s for s in ends if ends[s] == fault] for fault in self._order}

    def _in_order(self) -> tuple[list[int], list[int]]:
        """Return the faults in an order with few signs carried, and the greatest such number."""
        left = {
            fault: {sign for sign, one in self._signs.items() if fault in one.links}
            for fault in range(self._count)
        }
        order: list[int] = []
        open_signs: set[int] = set()
        widest: set[int] = set()
        while left:
            # The fault that opens the fewest more, and of these the one that has the most open.
            fault = min(left, key=lambda one: (len(left[one] - open_signs), -len(left[one]), one))
            open_signs |= left.pop(fault)
            order.append(fault)
            if len(open_signs) > len(widest):
                widest = set(open_signs)
            still = set().union(*left.values())
            open_signs &= still
        return order, sorted(widest)

    def weigh(self, questions: Sequence[Question]) -> Masses:
        """Return the weights of the sets, question by question."""
        there, gone = _chances(questions)
        left_out = np.array([-1 if one.without is None else one.without for one in questions])
        carried: list[int] = []
        states: Floats = np.ones(len(questions))
        scale = 0.0
        steps = []
        for fault in self._order:
            for sign in self._first[fault]:
                states = _opened(states, self._signs[sign].base, left_out == sign)
                carried.append(sign)
            present = _rows(there[:, fault], states) * states
            for sign in self._linked(fault, carried):
                driven = self._signs[sign].links[fault]
                present = _driven(present, driven, carried.index(sign), left_out == sign)
            absent = _rows(gone[:, fault], states) * states
            steps.append((fault, tuple(carried), present, absent))
            states = present + absent
            for sign in self._last[fault]:
                states = _closed(states, carried.index(sign), left_out == sign)
                carried.remove(sign)
            states, by = _scaled(states)
            scale += float(by[0])
        with np.errstate(divide="ignore"):
            empty = float(
                np.log(gone[0]).sum()
                + sum(np.log(one.base[0]) for one in self._signs.values())
                - scale
            )
        return self._shared(steps, left_out, there, gone, float(np.exp(empty)))

    def _shared(
        self,
        steps: Sequence[tuple[int, tuple[int, ...], Floats, Floats]],
        left_out: NDArray[np.intp],
        there: Floats,
        gone: Floats,
        empty: float,
    ) -> Masses:
        """Return each fault's masses: the weight that leads to its step, times that after it."""
        present, absent = np.zeros_like(there), np.zeros_like(gone)
        after: Floats = np.ones(len(left_out))
        for fault, carried, with_it, without in reversed(steps):
            kept = [sign for sign in carried if sign not in self._last[fault]]
            for sign in reversed(self._last[fault]):
                # Signs are closed in turn, so the last to be closed is the first to be put back.
                place = sum(other < carried.index(sign) for other in map(carried.index, kept))
                after = _reopened(after, place, left_out == sign)
                kept.insert(place, sign)
            axes = tuple(range(1, after.ndim))
            present[:, fault] = (after * with_it).sum(axis=axes)
            absent[:, fault] = (after * without).sum(axis=axes)
            back = _rows(there[:, fault], after) * after
            for sign in reversed(self._linked(fault, carried)):
                driven = self._signs[sign].links[fault]
                back = _undriven(back, driven, carried.index(sign), left_out == sign)
            after = back + _rows(gone[:, fault], after) * after
            for sign in reversed(self._first[fault]):
                after = _unopened(after, self._signs[sign].base, left_out == sign)
            after, _ = _scaled(after)
        return Masses(present, absent, empty)

    def _linked(self, fault: int, carried: Sequence[int]) -> list[int]:
        return [sign for sign in carried if fault in self._signs[sign].links]


def _chances(questions: Sequence[Question]) -> tuple[Floats, Floats]:
    """Return the chances of being present and absent, the greater of which is one."""
    present = np.array([one.present for one in questions])
    absent = np.array([one.absent for one in questions])
    most = np.maximum(present, absent)
    most[np.isneginf(most)] = 0.0
    return np.asarray(np.exp(present - most)), np.asarray(np.exp(absent - most))


def _rows(column: NDArray[Kind], states: Floats) -> NDArray[Kind]:
    """Return a value for each question, to be multiplied with its states."""
    shaped: NDArray[Kind] = column.reshape(-1, *(1,) * (states.ndim - 1))
    return shaped


def _split(states: Floats, place: int) -> tuple[Floats, Floats]:
    """Return the states in which a sign has not been reached, and those in which it has."""
    unreached, reached = (np.asarray(states.take(level, axis=place + 1)) for level in (0, 1))
    return unreached, reached


def _figures(
    chances: tuple[float, float], left_out: Marks, states: Floats
) -> tuple[Floats, Floats]:
    """Return the chances of a level and of those below it; a sign left out stays unreached."""
    level, below = chances
    return (
        _rows(np.where(left_out, 0.0, level), states),
        _rows(np.where(left_out, 1.0, below), states),
    )


def _opened(states: Floats, base: tuple[float, float], left_out: Marks) -> Floats:
    level, below = _figures(base, left_out, states)
    return np.stack([states * below, states * level], axis=-1)


def _unopened(after: Floats, base: tuple[float, float], left_out: Marks) -> Floats:
    unreached, reached = _split(after, after.ndim - 2)
    level, below = _figures(base, left_out, unreached)
    return unreached * below + reached * level


def _driven(states: Floats, link: tuple[float, float], place: int, left_out: Marks) -> Floats:
    unreached, reached = _split(states, place)
    level, below = _figures(link, left_out, unreached)
    more = reached * (below + level) + unreached * level
    return np.stack([unreached * below, more], axis=place + 1)


def _undriven(after: Floats, link: tuple[float, float], place: int, left_out: Marks) -> Floats:
    unreached, reached = _split(after, place)
    level, below = _figures(link, left_out, unreached)
    return np.stack(
        [unreached * below + reached * level, reached * (below + level)], axis=place + 1
    )


def _closed(states: Floats, place: int, left_out: Marks) -> Floats:
    unreached, reached = _split(states, place)
    return np.where(_rows(left_out, unreached), unreached, reached)


def _reopened(after: Floats, place: int, left_out: Marks) -> Floats:
    out = _rows(left_out, after)
    return np.stack([np.where(out, after, 0.0), np.where(out, 0.0, after)], axis=place + 1)


def _scaled(states: Floats) -> tuple[Floats, Floats]:
    """Return the states with one as the highest of each question, and the logarithm of that."""
    highest = states.reshape(len(states), -1).max(axis=1)
    highest[highest == 0.0] = 1.0
    return states / _rows(highest, states), np.log(highest)
