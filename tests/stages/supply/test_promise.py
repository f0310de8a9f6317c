"""Promises: by whose days they count, and from which day where the cutoff has passed."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs
from tests.stages.workbench import HIRE_YARD, MONDAY, starter, supplier

from kitwright.stages.supply import arrival, day_of_order, working_day

SHOP = starter().shops[HIRE_YARD]
WEEK = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


@pytest.mark.parametrize(
    ("day", "days", "expected"),
    [
        (MONDAY, 0, MONDAY),
        (MONDAY, 1, date(2027, 3, 3)),
        (date(2027, 2, 27), 0, MONDAY),
        (date(2027, 2, 27), 1, date(2027, 3, 3)),
        (date(2027, 3, 5), 1, date(2027, 3, 8)),
    ],
)
def test_working_day_counts_over_weekends_and_holidays(
    day: date, days: int, expected: date
) -> None:
    shop = structs.replace(starter().shops[HIRE_YARD], holidays=(date(2027, 3, 2),))
    assert working_day(shop, day, days) == expected


@pytest.mark.parametrize(
    ("clock", "day"),
    [
        ("00:00:00", "2027-03-01"),
        ("14:59:59", "2027-03-01"),
        ("15:00:00", "2027-03-01"),
        ("15:00:01", "2027-03-02"),
        ("23:59:59", "2027-03-02"),
    ],
)
def test_day_of_order_is_the_next_after_the_cutoff(clock: str, day: str) -> None:
    plain = supplier("ONE", cutoff="15:00")

    assert day_of_order(plain, datetime.fromisoformat(f"2027-03-01T{clock}")) == (
        date.fromisoformat(day)
    )


def test_day_of_order_is_by_the_clock_of_the_place_in_summer_and_in_winter() -> None:
    # 20:30 UTC is 15:30 in Chicago while summer time holds and 14:30 while it does not, by the
    # rules of the IANA time zone database
    plain = supplier("ONE", cutoff="15:00")
    chicago = ZoneInfo("America/Chicago")

    for month, day in ((7, 2), (1, 1)):
        moment = datetime(2027, month, 1, 20, 30, tzinfo=UTC).astimezone(chicago)
        assert day_of_order(plain, moment) == date(2027, month, day)


def test_arrival_counts_the_shops_days_where_the_supplier_names_none() -> None:
    shop = structs.replace(SHOP, holidays=(date(2027, 3, 3),))
    plain = supplier("ONE")

    assert arrival(shop, plain, 2, MONDAY) == date(2027, 3, 4)


def test_arrival_counts_the_suppliers_own_days_and_comes_when_the_shop_is_open() -> None:
    # sends on Saturdays too, and has Tuesday off; the shop is closed on the weekend
    own = supplier("ONE", working_days=(*SHOP.working_days, "sat"), holidays=(date(2027, 3, 2),))

    assert arrival(SHOP, own, 1, MONDAY) == date(2027, 3, 3)
    assert arrival(SHOP, own, 4, MONDAY) == date(2027, 3, 8)
    assert arrival(SHOP, own, 5, MONDAY) == date(2027, 3, 8)


def test_arrival_takes_no_holidays_for_none_of_its_own() -> None:
    shop = structs.replace(SHOP, holidays=(date(2027, 3, 2),))

    assert arrival(shop, supplier("ONE", holidays=()), 2, MONDAY) == date(2027, 3, 3)


@given(
    week=st.sets(st.sampled_from(WEEK), min_size=1),
    closed=st.sets(st.dates(date(2027, 3, 1), date(2027, 4, 1)), max_size=8),
    days=st.integers(0, 20),
    on=st.dates(date(2027, 3, 1), date(2027, 4, 1)),
)
def test_arrival_is_never_before_the_order_and_on_a_day_of_the_shop(
    week: set[str], closed: set[date], days: int, on: date
) -> None:
    own = supplier("ONE", working_days=tuple(sorted(week)), holidays=tuple(sorted(closed)))

    there = arrival(SHOP, own, days, on)

    assert there >= on
    assert WEEK[there.weekday()] in SHOP.working_days
    assert arrival(SHOP, own, days + 1, on) >= there
