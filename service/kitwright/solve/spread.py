"""Spread: the distribution of a figure that depends on which of some uncertain events happen.

The figure of a set of events is whatever the caller says: it need not be a sum. Sets are visited
from the most probable to the least, and those whose figure is the same by construction share one
`key`, so that a figure, which may be costly, is computed once a key. When the caller's bound on the
number of figures is reached, further sets get an estimate, and those that are rarer still get none.
The spread says how probable both are. All probabilities are exact fractions.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Hashable, Iterator, Sequence
from fractions import Fraction
from functools import cached_property
from heapq import heappop, heappush, heappushpop
from itertools import accumulate
from math import ceil, lcm, prod
from operator import mul
from typing import Final

from msgspec import Struct

MOST_SETS: Final = 1000
"""The most sets that are visited if not all of them can be computed."""


class Event(Struct, frozen=True, kw_only=True):
    """Something that may happen.

    Attributes:
        chance: the probability, from 0 to 1; if `after` is given, once that has happened.
        after: the place of an earlier event without which this one can't happen, or None.
        group: events of the same group exclude each other; None if it is in no group.
    """

    chance: Fraction
    after: int | None = None
    group: Hashable | None = None


class Spread(Struct, frozen=True, kw_only=True, dict=True):
    """The distribution of a figure.

    Attributes:
        figures: the different figures, ascending.
        shares: the probability of each.
        estimated: the probability of the sets whose figure is an estimate.
        left: the probability of the sets that have no figure.
    """

    figures: tuple[int, ...]
    shares: tuple[Fraction, ...]
    estimated: Fraction
    left: Fraction

    @property
    def is_exact(self) -> bool:
        """Whether the figure of every possible set was computed."""
        return not self.left and not self.estimated

    def mean(self, rest: int) -> Fraction:
        """Return the expected figure. Sets that have no figure count as `rest`."""
        weights, whole = self._weights
        figured = sum(map(mul, self.figures, weights))
        return self.left * rest + Fraction(figured, whole)

    def quantile(self, share: Fraction) -> int | None:
        """Return the smallest figure that is not exceeded with a probability of at least `share`.

        Sets that have no figure count as exceeding it. None if the others do not reach the share.
        """
        _, whole = self._weights
        # the sum of whole numbers reaches the next whole number
        place = bisect_left(self._reached, ceil(share * whole))
        return self.figures[place] if place < len(self.figures) else None

    def chance_over(self, figure: int) -> Fraction:
        """Return the probability that a figure is exceeded. Sets that have none count as exceeding
        it.
        """
        _, whole = self._weights
        place, reached = bisect_right(self.figures, figure), self._reached
        if place == len(reached):
            return self.left
        return self.left + Fraction(reached[-1] - (reached[place - 1] if place else 0), whole)

    @cached_property
    def _weights(self) -> tuple[list[int], int]:
        """The shares as whole numbers over a denominator, and that."""
        whole = lcm(*(share.denominator for share in self.shares))
        return [share.numerator * (whole // share.denominator) for share in self.shares], whole

    @cached_property
    def _reached(self) -> list[int]:
        """The sums of the shares up to each figure, over the same denominator."""
        return [*accumulate(self._weights[0])]


def find_spread(
    events: Sequence[Event],
    key_of: Callable[[frozenset[int]], Hashable],
    figure_of: Callable[[frozenset[int]], int],
    estimate_of: Callable[[frozenset[int]], int],
    most: int,
) -> Spread:
    """Return the distribution of the figure of the set of events that happen.

    Events are independent, except for what `after` and `group` say. In a group, each event keeps
    the probability of its `chance`, as long as the chances of the group do not sum to more than 1;
    of those that do, later events get what earlier ones leave.

    Args:
        events: an event's `after` is before it.
        key_of: sets of equal keys have equal figures.
        figure_of: called once for each key, with one of its sets, for the most probable keys.
        estimate_of: called for each other set; cheap, and rather too high than too low.
        most: the most figures to compute.
    """
    figures: dict[Hashable, int] = {}
    weights: dict[int, int] = {}
    estimated = 0
    given = [_given(events, at) for at in range(len(events))]
    whole = prod(each.denominator for each in given)
    for visited, (happened, weight) in enumerate(_weighed(events, given)):
        if visited >= MOST_SETS and len(figures) >= most:
            break
        key = key_of(happened)
        figure = figures.get(key)
        if figure is None and len(figures) < most:
            figure = figures[key] = figure_of(happened)
        elif figure is None:
            figure = estimate_of(happened)
            estimated += weight
        weights[figure] = weights.get(figure, 0) + weight
    ascending = sorted(weights)
    return Spread(
        figures=tuple(ascending),
        shares=tuple(Fraction(weights[figure], whole) for figure in ascending),
        estimated=Fraction(estimated, whole),
        left=1 - Fraction(sum(weights.values()), whole),
    )


def most_probable(events: Sequence[Event]) -> Iterator[tuple[frozenset[int], Fraction]]:
    """Yield the sets of events that may happen together, the most probable first, each with its
    probability. The probabilities of all sets sum to 1.
    """
    given = [_given(events, at) for at in range(len(events))]
    whole = prod(each.denominator for each in given)
    for happened, weight in _weighed(events, given):
        yield happened, Fraction(weight, whole)


def _weighed(
    events: Sequence[Event], given: Sequence[Fraction]
) -> Iterator[tuple[frozenset[int], int]]:
    """Yield the same as `most_probable`, each probability as a whole number over the product of the
    denominators.

    Args:
        events: what may happen.
        given: the probability of each once it can happen.
    """
    ratios = [each.as_integer_ratio() for each in given]
    wholes = [1, *accumulate((bottom for _, bottom in ratios), mul)]
    # the most that the events from each place on can leave of a probability
    leave = [1.0]
    for event, chance in zip(reversed(events), reversed(given), strict=True):
        is_free = event.after is None and event.group is None
        leave.append(leave[-1] * float(max(chance, 1 - chance) if is_free else 1))
    leave.reverse()
    # a set is put together event by event; the one waits first of which the most may come, and of
    # equals the one that is nearest to its end
    waiting: list[tuple[float, int, tuple[int, ...], int]] = []
    begun: tuple[float, int, tuple[int, ...], int] = (-leave[0], 0, (), 1)
    while True:
        _, negative, happened, weight = begun
        at = -negative
        if at == len(events):
            yield frozenset(happened), weight
            if not waiting:
                return
            begun = heappop(waiting)
            continue
        top, bottom = ratios[at]
        if top and not _can_happen(events, at, happened):
            top = 0
        found = [
            (-(weight * share / wholes[at + 1] * leave[at + 1]), negative - 1, then, weight * share)
            for then, share in ((happened, bottom - top), ((*happened, at), top))
            if share
        ]
        for one in found[1:]:
            heappush(waiting, one)
        # mostly it is one of these that comes next
        begun = heappushpop(waiting, found[0])


def _can_happen(events: Sequence[Event], at: int, happened: tuple[int, ...]) -> bool:
    """Return whether an event can happen after those before it."""
    after, group = events[at].after, events[at].group
    if after is not None and after not in happened:
        return False
    return group is None or all(events[each].group != group for each in happened)


def _given(events: Sequence[Event], at: int) -> Fraction:
    """Return the probability of an event once it can happen: the event that it comes after has
    happened, and none of its group.
    """
    event = events[at]
    if event.group is None:
        return event.chance
    before = sum(
        (
            _once(events, mate, event.after)
            for mate in range(at)
            if events[mate].group == event.group
        ),
        Fraction(0),
    )
    return Fraction(0) if before >= 1 else min(Fraction(1), event.chance / (1 - before))


def _once(events: Sequence[Event], at: int, happened: int | None) -> Fraction:
    """Return the probability of an event once another has happened with all that it comes after."""
    there = set()
    while happened is not None:
        there.add(happened)
        happened = events[happened].after
    chance = Fraction(1)
    place: int | None = at
    while place is not None and place not in there:
        chance *= events[place].chance
        place = events[place].after
    return chance
