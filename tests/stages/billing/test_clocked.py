"""Minutes of the clock come to the lines that they belong to, and none gets lost."""

from decimal import Decimal
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st
from tests.stages.billing.test_bill import line

from kitwright.stages.billing import AgreedLine, Clocked, Timed, allot_clocked

PLANNED = {
    "teardown": {"bench": Fraction(30), "machine": Fraction(10)},
    "work": {"machine": Fraction(20)},
    "test": {"nobody": Fraction(5)},
}


def labour(labour_class: str, minutes: int) -> AgreedLine:
    return line("labour", str(minutes), "60", "60", labour_class=labour_class)


LINES = (line("part", "1", "5"), labour("bench", 30), labour("machine", 20), labour("bench", 10))


def allotted(*timed: Timed) -> dict[int, Decimal]:
    return {one.line: one.minutes for one in allot_clocked(LINES, PLANNED, timed)}


def test_minutes_of_a_step_belong_to_its_class() -> None:
    told = allotted(Timed(group="teardown", labour_class="machine", minutes=7))

    assert told == {2: 0, 3: 7, 4: 0}


def test_minutes_of_a_group_are_divided_as_planned() -> None:
    told = allotted(Timed(group="teardown", labour_class=None, minutes=80))

    # 60 for the bench, of which the first line has 30 of 40 agreed minutes
    assert told == {2: 45, 3: 20, 4: 15}


def test_minutes_without_a_billed_class_belong_to_all() -> None:
    told = allotted(Timed(group="test", labour_class="nobody", minutes=60))

    assert told == {2: 30, 3: 20, 4: 10}


def test_nothing_clocked_names_no_line() -> None:
    assert allotted() == {}
    assert allotted(Timed(group="work", labour_class=None, minutes=0)) == {}
    timed = (Timed(group="work", labour_class=None, minutes=9),)
    assert allot_clocked(LINES[:1], PLANNED, timed) == ()


@given(
    agreed=st.lists(
        st.tuples(st.sampled_from(("bench", "machine", "paint")), st.integers(0, 400)), min_size=1
    ),
    timed=st.lists(
        st.builds(
            Timed,
            group=st.sampled_from(("teardown", "work", "refit", "test")),
            labour_class=st.sampled_from((None, "bench", "machine", "nobody")),
            minutes=st.integers(0, 1_440),
        )
    ),
)
def test_no_minute_gets_lost(agreed: list[tuple[str, int]], timed: list[Timed]) -> None:
    lines = [labour(name, minutes) for name, minutes in agreed]

    told: tuple[Clocked, ...] = allot_clocked(lines, PLANNED, timed)

    clocked = sum(one.minutes for one in timed)
    can_take = any(minutes for _, minutes in agreed)
    assert sum(one.minutes for one in told) == (clocked if can_take else 0)
    assert all(one.minutes >= 0 and one.minutes % 1 == 0 for one in told)
