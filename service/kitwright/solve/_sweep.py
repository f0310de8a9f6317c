"""The exact search for the best cover of a reduced problem, in whole numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from operator import mul
from typing import TYPE_CHECKING, NamedTuple

from kitwright.solve._guide import UNIT, Guide
from kitwright.solve._reduce import NoCover, Problem, Scale, Stage, stages_of, supply

if TYPE_CHECKING:
    from collections import Counter
    from collections.abc import Iterator

State = tuple[int, ...]
"""The rest of each need that is not covered yet."""
States = dict[State, int]
"""State -> the weight of the best way to it."""


class Move(NamedTuple):
    """The effect of a column on a state: each copy fills some places, and has a weight."""

    fills: Sequence[tuple[int, int]]
    limit: int
    weight: int


def swept(problem: Problem, most_steps: int, guide: Guide | None = None) -> Counter[int] | None:
    """Return the copies of the best cover by rank, None if that takes more than `most_steps`.

    Columns are decided stage by stage. Of all the ways that leave the same needs, only the best
    is retained. With a guide, ways that must end above the value of its cover are dropped.

    Raises: NoCover.
    """
    scale = Scale(problem.columns)
    try:
        return scale.copies_of(_Sweep(problem, scale, most_steps, guide).least())
    except _TooLong:
        return None


class _TooLong(Exception):
    pass


class _Sweep:
    def __init__(
        self, problem: Problem, scale: Scale, most_steps: int, guide: Guide | None
    ) -> None:
        self.problem = problem
        self.scale = scale
        self.weights = scale.weights(problem.columns)
        self.steps_left = most_steps
        self.guide = guide
        self.places = {need: place for place, need in enumerate(problem.wanted)}
        self.prices = [guide.prices[need] for need in problem.wanted] if guide else []

    def least(self) -> int:
        """Return the weight of the best cover."""
        states: States = {tuple(self.problem.wanted.values()): 0}
        later = supply(self.problem.columns)
        gains = self._gains(stages_of(self.problem))
        for need, wide, narrow in _order(self.problem):
            for stage in wide:
                later -= supply(stage)
                gains -= self._gains([stage])
                held = {held for column in stage for held in column.holds}
                most_left = [(self.places[each], later[each]) for each in held]
                states = self._decided(states, self._moves(stage, self.places), most_left)
                states = self._hopeful(states, gains)
            for stage in narrow:
                later -= supply(stage)
            gains -= self._gains(narrow)
            alone = [self._moves(stage, {need: 0}) for stage in narrow]
            states = self._hopeful(self._closed(states, self.places[need], alone), gains)
        if not states:
            raise NoCover
        (best,) = states.values()
        return best

    def _gains(self, stages: Sequence[Stage]) -> int:
        return sum(map(self.guide.best_gain, stages)) if self.guide else 0

    def _hopeful(self, states: States, gains: int) -> States:
        """Return the states that can still end at the guide's value, given the possible gains."""
        if self.guide is None:
            return states
        most = self.guide.most * UNIT + gains
        return {
            state: weight
            for state, weight in states.items()
            if self.scale.value_of(weight) * UNIT + sum(map(mul, self.prices, state)) <= most
        }

    def _moves(self, stage: Stage, places: Mapping[int, int]) -> list[Move]:
        return [
            Move(
                [(places[need], count) for need, count in column.holds.items()],
                column.limit,
                self.weights[column.rank],
            )
            for column in stage
        ]

    def _decided(
        self, states: States, moves: Sequence[Move], most_left: Sequence[tuple[int, int]]
    ) -> States:
        """Return the states after copies of one of some columns, or of none.

        At most `most_left` may be left, by place: later columns cannot fill more.
        """
        reached: States = {}
        for state, weight in states.items():
            for left, added in self._options(state, moves):
                if all(left[place] <= most for place, most in most_left):
                    known = reached.get(left)
                    if known is None or weight + added < known:
                        reached[left] = weight + added
        return reached

    def _options(self, state: State, moves: Sequence[Move]) -> Iterator[tuple[State, int]]:
        yield state, 0
        for fills, limit, weight in moves:
            left = [*state]
            for copies in range(1, limit + 1):
                if not any(left[place] for place, _ in fills):
                    break
                self.steps_left -= 1
                if self.steps_left < 0:
                    raise _TooLong
                for place, count in fills:
                    left[place] = max(0, left[place] - count)
                yield tuple(left), copies * weight

    def _closed(self, states: States, place: int, alone: Sequence[Sequence[Move]]) -> States:
        """Return the states after a need is filled by columns that contain nothing else."""
        prices: dict[int, int | None] = {}
        reached: States = {}
        for state, weight in states.items():
            left = state[place]
            if left not in prices:
                ways: States = {(left,): 0}
                for moves in alone:
                    ways = self._decided(ways, moves, ())
                prices[left] = ways.get((0,))
            price = prices[left]
            if price is not None:
                filled = (*state[:place], 0, *state[place + 1 :])
                reached[filled] = min(weight + price, reached.get(filled, weight + price))
        return reached


def _order(problem: Problem) -> Iterator[tuple[int, Sequence[Stage], Sequence[Stage]]]:
    """Yield each need, in an order that completes needs early, and its stages to decide.

    The first stages are those that contain other needs too, then those that contain only this one.
    """
    stages = stages_of(problem)
    wide: dict[int, set[int]] = {need: set() for need in problem.wanted}
    narrow: dict[int, list[Stage]] = {need: [] for need in problem.wanted}
    for number, stage in enumerate(stages):
        held = {need for column in stage for need in column.holds}
        for need in held:
            if len(held) == 1:
                narrow[need].append(stage)
            else:
                wide[need].add(number)
    while wide:
        need = min(wide, key=lambda need: len(wide[need]))
        closing = wide.pop(need)
        yield need, [stages[number] for number in sorted(closing)], narrow[need]
        for waiting in wide.values():
            waiting -= closing
