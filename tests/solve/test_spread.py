"""The distribution of a figure over uncertain events, against enumeration and known figures."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import combinations, pairwise
from math import comb
from random import Random

from hypothesis import given
from hypothesis import strategies as st

from kitwright.solve.spread import Event, find_spread, most_probable

CHANCES = st.integers(0, 20).map(lambda part: Fraction(part, 20))


@st.composite
def drawn(draw: st.DrawFn, most: int = 7) -> list[Event]:
    """Draw events, some of them after others, some in groups whose chances leave room."""
    found: list[Event] = []
    for at in range(draw(st.integers(0, most))):
        after = draw(st.none() | st.integers(0, at - 1)) if at else None
        group = draw(st.none() | st.sampled_from("ab"))
        chance = draw(CHANCES) / (1 if group is None else 8)
        found.append(Event(chance=chance, after=after, group=group))
    return found


def subsets(count: int) -> Iterator[frozenset[int]]:
    for size in range(count + 1):
        yield from map(frozenset, combinations(range(count), size))


def is_possible(events: Sequence[Event], happened: frozenset[int]) -> bool:
    groups = [events[at].group for at in happened if events[at].group is not None]
    afters = {events[at].after for at in happened} - {None}
    return len(set(groups)) == len(groups) and afters <= happened


def a_figure(happened: frozenset[int]) -> int:
    """Return a figure that is no sum: neighbours share, and the rest is capped."""
    shared = sum(5 for at in happened if at + 1 in happened)
    return min(100, sum(7 * (at + 1) for at in happened) - shared)


@given(drawn())
def test_most_probable_visits_each_possible_set_once_in_order(events: list[Event]) -> None:
    visited = list(most_probable(events))

    sets = [happened for happened, _ in visited]
    shares = [share for _, share in visited]
    assert len(set(sets)) == len(sets)
    assert all(is_possible(events, happened) for happened in sets)
    assert sum(shares) == 1
    # the search compares floating point numbers, which may take equals for different
    assert all(one >= other * (1 - Fraction(1, 10**12)) for one, other in pairwise(shares))


@given(drawn())
def test_most_probable_keeps_the_chance_of_each_event(events: list[Event]) -> None:
    by_event: dict[int, Fraction] = defaultdict(Fraction)
    for happened, share in most_probable(events):
        for at in happened:
            by_event[at] += share

    for at, event in enumerate(events):
        before = Fraction(1) if event.after is None else by_event[event.after]
        family = [one for one in events if one.group is not None]
        if event.group is None or all(one.after == event.after for one in family):
            assert by_event[at] == event.chance * before


@given(st.lists(CHANCES, max_size=8))
def test_most_probable_of_independent_events_multiplies(chances: list[Fraction]) -> None:
    events = [Event(chance=chance) for chance in chances]
    found = dict(most_probable(events))

    for happened in subsets(len(events)):
        expected = Fraction(1)
        for at, chance in enumerate(chances):
            expected *= chance if at in happened else 1 - chance
        assert found.get(happened, Fraction(0)) == expected


def test_a_group_has_the_sum_of_its_chances() -> None:
    events = [
        Event(chance=Fraction(1, 4), group="head"),
        Event(chance=Fraction(1, 8), group="head"),
    ]

    assert dict(most_probable(events)) == {
        frozenset(): Fraction(5, 8),
        frozenset({0}): Fraction(1, 4),
        frozenset({1}): Fraction(1, 8),
    }


def test_a_group_of_too_much_leaves_the_later_ones_less() -> None:
    events = [Event(chance=Fraction(3, 4), group=1), Event(chance=Fraction(1, 2), group=1)]

    assert dict(most_probable(events))[frozenset({1})] == Fraction(1, 4)


@given(drawn())
def test_find_spread_equals_enumeration(events: list[Event]) -> None:
    found = find_spread(events, frozenset, a_figure, not_asked, most=2**7)

    expected: dict[int, Fraction] = defaultdict(Fraction)
    for happened, share in most_probable(events):
        expected[a_figure(happened)] += share
    assert dict(zip(found.figures, found.shares, strict=True)) == expected
    assert found.is_exact
    assert list(found.figures) == sorted(expected)


@given(drawn(), st.integers(1, 10), CHANCES)
def test_find_spread_that_stops_early_is_never_too_low(
    events: list[Event], most: int, share: Fraction
) -> None:
    whole = find_spread(events, frozenset, a_figure, not_asked, most=2**7)
    asked: list[frozenset[int]] = []

    def figure_of(happened: frozenset[int]) -> int:
        asked.append(happened)
        return a_figure(happened)

    some = find_spread(events, frozenset, figure_of, lambda happened: sum_of(happened) * 7, most)

    assert len(asked) == len(set(asked)) <= most
    assert sum(some.shares) == 1
    assert some.left == 0
    assert 0 <= some.estimated < 1
    true, told = whole.quantile(share), some.quantile(share)
    assert true is not None
    assert told is not None
    assert told >= true
    assert some.mean(0) >= whole.mean(0)
    for limit in (-1, 0, 20, 100):
        over = whole.chance_over(limit)
        assert over <= some.chance_over(limit) <= over + some.estimated


def test_sets_of_one_key_are_computed_once() -> None:
    events = [Event(chance=Fraction(1, 2))] * 6
    asked: list[frozenset[int]] = []

    def figure_of(happened: frozenset[int]) -> int:
        asked.append(happened)
        return len(happened)

    found = find_spread(events, len, figure_of, not_asked, most=7)

    # the binomial distribution
    assert found.shares == tuple(Fraction(comb(6, k), 2**6) for k in range(7))
    assert len(asked) == 7


def test_quantiles_rise_with_the_share_and_with_the_chances() -> None:
    # as independent events become more probable, no quantile falls and no chance of more falls
    random = Random(4)
    for _ in range(200):
        chances = [Fraction(random.randrange(0, 80), 100) for _ in range(6)]
        raised = random.randrange(6)
        higher = [c + Fraction(1, 5) * (at == raised) for at, c in enumerate(chances)]

        def spread(each: list[Fraction]) -> list[int | None]:
            found = find_spread(
                [Event(chance=one) for one in each], frozenset, sum_of, not_asked, 64
            )
            return [found.quantile(Fraction(share, 20)) for share in range(1, 21)]

        low, high = spread(chances), spread(higher)
        assert low == sorted(low, key=lambda one: one or 0)
        assert all((one or 0) <= (other or 0) for one, other in zip(low, high, strict=True))


def test_sets_that_are_rarer_than_those_visited_have_no_figure() -> None:
    events = [Event(chance=Fraction(1, 10))] * 12
    found = find_spread(events, frozenset, sum_of, sum_of, most=3)
    whole = find_spread(events, len, len, not_asked, most=13)

    assert 0 < found.left < Fraction(1, 100)
    assert found.estimated > 0
    assert sum(found.shares) + found.left == 1
    assert found.quantile(1 - found.left / 2) is None
    assert found.chance_over(10**6) == found.left
    assert found.mean(10**6) > 10**6 * found.left
    assert whole.is_exact
    assert not found.is_exact


def not_asked(happened: frozenset[int]) -> int:
    raise AssertionError(happened)


def sum_of(happened: frozenset[int]) -> int:
    return sum(3 * at + 1 for at in happened)
