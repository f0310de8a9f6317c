"""Token buckets: how often a caller may ask, whatever others do."""

from random import Random

import pytest

from kitwright.web.edge.limits import Limits, retry_after


class Clock:
    """A clock that a test sets."""

    def __init__(self, now: float = 0.0) -> None:
        self.now = now

    def __call__(self) -> float:
        return self.now


@pytest.mark.parametrize("begun", [0.0, 1e9])
def test_take_lets_a_burst_through_and_then_the_rate(begun: float) -> None:
    clock = Clock(begun)
    limits = Limits(30, 3, clock)

    assert [limits.take("a") for _ in range(3)] == [0.0] * 3
    assert limits.take("a") == pytest.approx(2.0)
    clock.now += 1.5
    assert limits.take("a") == pytest.approx(0.5)
    clock.now += 0.5
    assert limits.take("a") == 0.0
    assert limits.take("a") == pytest.approx(2.0)


@pytest.mark.parametrize("rate", [0.5, 7, 60, 90, 1_000_000])
def test_take_goes_after_exactly_the_wait_it_told(rate: float) -> None:
    clock = Clock(12345.678)
    limits = Limits(rate, 5, clock)
    for _ in range(2_000):
        wait = limits.take("a")
        clock.now += wait
        assert not wait or limits.take("a") == 0.0


def test_take_takes_nothing_where_it_refuses() -> None:
    clock = Clock()
    limits = Limits(60, 1, clock)
    limits.take("a")

    assert {limits.take("a") for _ in range(100)} == {1.0}


def test_take_fills_a_bucket_no_further_than_its_burst() -> None:
    clock = Clock()
    limits = Limits(60, 4, clock)
    limits.take("a")
    clock.now = 1e6

    assert [limits.take("a") > 0 for _ in range(5)] == [False] * 4 + [True]


def test_take_tells_callers_apart() -> None:
    limits = Limits(60, 1, Clock())

    assert [limits.take(who) for who in "abc"] == [0.0] * 3
    assert all(limits.take(who) > 0 for who in "abc")


def test_rate_of_zero_is_no_limit_and_keeps_nothing() -> None:
    limits = Limits(0, 1, Clock())

    assert {limits.take("a") for _ in range(1_000)} == {0.0}
    assert len(limits) == 0


def test_full_buckets_are_the_first_to_be_forgotten() -> None:
    clock = Clock()
    limits = Limits(60, 1, clock, most=10)
    for number in range(5):
        limits.take(f"early {number}")
    clock.now = 1.5
    for number in range(10):
        limits.take(f"late {number}")

    assert all(limits.take(f"late {number}") for number in range(10))
    assert len(limits) == 10


def test_flood_of_new_names_keeps_to_the_bound_and_frees_nobody_busy() -> None:
    clock = Clock()
    limits = Limits(60, 20, clock, most=100)
    for _ in range(20):
        limits.take("busy")

    for number in range(10_000):
        assert limits.take(str(number)) == 0.0
        assert len(limits) <= 100
    assert limits.take("busy") == pytest.approx(1.0)


def test_who_gets_busy_in_the_middle_of_a_flood_is_limited_all_the_same() -> None:
    clock = Clock()
    limits = Limits(60, 20, clock, most=100)
    random = Random(1)
    went = 0
    for number in range(20_000):
        clock.now += 0.001
        limits.take(f"{number}")
        if random.random() < 0.05:
            went += limits.take("busy") == 0.0

    # about 1,000 calls in 20 seconds, of which a burst and the rate may go
    assert 38 <= went <= 41


def test_who_asks_after_every_new_name_is_limited_all_the_same() -> None:
    limits = Limits(60, 20, Clock(), most=100)
    for number in range(100):
        limits.take(str(number))

    went = 0
    for number in range(100, 200):
        went += limits.take("busy") == 0.0
        limits.take(str(number))

    assert went == 20


def test_bound_holds_where_all_are_busy() -> None:
    limits = Limits(60, 5, Clock(), most=10)
    for number in range(50):
        for _ in range(5):
            limits.take(str(number))
    assert len(limits) == 10


def test_take_agrees_with_counting_tokens_one_by_one() -> None:
    """Against buckets that are filled at every call, and forget nothing."""
    random = Random(2)
    for _ in range(30):
        rate, burst = random.choice((6, 60, 600)), random.randint(1, 8)
        clock = Clock(random.random() * 1e5)
        limits = Limits(rate, burst, clock)
        tokens: dict[str, float] = {}
        for _ in range(500):
            passed = random.expovariate(rate / 60)
            clock.now += passed
            tokens = {name: min(burst, held + passed * rate / 60) for name, held in tokens.items()}
            who = random.choice("abcd")
            held = tokens.get(who, float(burst))
            wait = limits.take(who)
            assert wait == pytest.approx(max(0.0, (1 - held) * 60 / rate), abs=1e-5)
            tokens[who] = held if wait else held - 1


@pytest.mark.parametrize(
    ("rate", "burst", "most"),
    [(-1, 1, 1), (float("nan"), 1, 1), (float("inf"), 1, 1), (1, 0, 1), (1, 1, 0)],
)
def test_limits_refuse_what_is_no_limit(rate: float, burst: int, most: int) -> None:
    with pytest.raises(ValueError, match="a limit needs"):
        Limits(rate, burst, most=most)


@pytest.mark.parametrize(
    ("seconds", "told"), [(0.0001, 1), (1.0, 1), (1.0001, 2), (59.5, 60), (0.0, 1)]
)
def test_retry_after_rounds_up(seconds: float, told: int) -> None:
    assert retry_after(seconds) == told
