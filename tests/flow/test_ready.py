"""The day on which a repair is ready: by its parts, the bench's hours and how far the work is."""

from datetime import date, timedelta
from decimal import Decimal

from tests.stages.workbench import BOTH_HEADS, HEAD, HIRE_YARD, MONDAY, quote, starter, with_shop

from kitwright.catalogue.model import BenchTime, Catalogue
from kitwright.stages.outcome import Outcome
from kitwright.stages.request import Ordered, OrderedPacks, Underway

A_DAY = 390


def with_bench(waiting: int, minutes: int = A_DAY) -> Catalogue:
    return with_shop(starter(), bench=BenchTime(minutes_a_day=minutes, waiting_minutes=waiting))


def after(day: date, days: int) -> date:
    """Return the hire yard's working day so many days after a day, counted one by one."""
    shop = starter().shops[HIRE_YARD]
    names = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
    while True:
        is_open = names[day.weekday()] in shop.working_days and day not in shop.holidays
        if is_open and days == 0:
            return day
        days -= is_open
        day += timedelta(days=1)


def all_ordered(made: Outcome) -> Ordered:
    packs = [
        OrderedPacks(
            supplier=line.source.supplier.id,
            sku=line.source.sku,
            item=line.source.item,
            size=line.source.pack,
            packs=line.packs,
        )
        for order in made.repair.orders
        for line in order.lines
    ]
    return Ordered(packs=tuple(packs), charged=Decimal(0))


def test_repair_is_ready_once_parts_are_there_and_the_bench_is_free() -> None:
    for waiting in (0, A_DAY - 1, A_DAY, 20 * A_DAY):
        made = quote(with_bench(waiting), jobs=BOTH_HEADS)
        assert made.parts_by is not None
        begins = max(after(MONDAY, waiting // A_DAY), made.parts_by)
        days = -(-made.repair.labour.billed // A_DAY)
        assert made.ready_on == after(begins, days), waiting


def test_slower_bench_is_never_ready_earlier() -> None:
    made = (quote(with_bench(0, minutes), jobs=BOTH_HEADS) for minutes in (600, 390, 60, 20))
    days = [one.ready_on for one in made if one.ready_on is not None]
    assert len(days) == 4
    assert days == sorted(days)
    assert days[0] != days[-1]


def test_day_is_not_known_without_the_hours_of_the_bench() -> None:
    assert quote(with_shop(starter(), bench=None), jobs=BOTH_HEADS).ready_on is None


def test_work_that_has_begun_waits_for_no_other_and_takes_what_is_left() -> None:
    shop = with_bench(20 * A_DAY, 60)
    before = quote(shop, jobs=BOTH_HEADS)
    ordered, minutes = all_ordered(before), before.repair.labour.billed
    days: dict[int, date] = {}
    for done in (0, 60, minutes, minutes + 500):
        so_far = Underway(has_begun=True, minutes=done)
        made = quote(shop, jobs=BOTH_HEADS, ordered=ordered, underway=so_far)
        assert made.parts_by is None
        left = max(0, minutes - done)
        assert made.ready_on == after(MONDAY, -(-left // 60))
        assert made.ready_on is not None
        days[done] = made.ready_on
    assert days[minutes] == MONDAY
    assert days[60] < days[0]


def test_only_what_is_still_to_come_is_waited_for() -> None:
    first = quote(starter(), jobs=(HEAD,))
    ordered = all_ordered(first)
    due = MONDAY + timedelta(days=30)

    here = quote(starter(), jobs=(HEAD,), ordered=ordered)
    awaited = quote(starter(), jobs=(HEAD,), ordered=ordered, underway=Underway(due_on=due))
    late = quote(
        starter(),
        jobs=(HEAD,),
        ordered=ordered,
        underway=Underway(due_on=MONDAY - timedelta(days=9)),
    )
    more = quote(starter(), jobs=BOTH_HEADS, ordered=ordered)

    assert first.parts_by is not None
    assert here.parts_by is None
    assert awaited.parts_by == due
    assert late.parts_by == MONDAY
    # what is bought in addition is waited for as ever
    assert more.parts_by == max(order.promised for order in more.repair.still)
