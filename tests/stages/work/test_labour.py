"""Billed minutes, reckoned by hand: rates, increments and minutes are made up for the case."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from math import ceil

import pytest
from msgspec import structs
from tests.stages.small import bench, catalogue_of, family, machine, part_of, shop, task, teardown
from tests.stages.workbench import BOTH_HEADS, HEAD, job, quote, starter, with_shop

from kitwright.catalogue.model import (
    ItemId,
    JobId,
    LabourClass,
    Per,
    RefitWork,
    Use,
    VisitWork,
    VisitWorkId,
    WorkId,
)
from kitwright.stages.request import Condition, Debris, MinutesOverride, RequestRefused, Terms
from kitwright.stages.work import (
    Bench,
    Labour,
    Operation,
    OperationKey,
    Teardown,
    repeat,
)
from kitwright.units import read_figure

SENIOR = LabourClass("senior")
TECH = LabourClass("tech")
COVER = part_of("cover", 1, 0)


def labour(
    *operations: Operation,
    parts: tuple[object, ...] = (COVER,),
    increment: int = 6,
    minimum: int = 0,
    condition: Condition | None = None,
    overridden: Mapping[OperationKey, int] | None = None,
    minimum_class: LabourClass = TECH,
) -> Labour:
    """Return the labour of some jobs in a shop with this increment and bench minimum."""
    own = structs.replace(
        shop(),
        labour=structs.replace(
            shop().labour,
            increment_minutes=increment,
            minimum_bench_minutes=minimum,
            minimum_bench_class=minimum_class,
        ),
    )
    way_in = teardown(parts)  # type: ignore[arg-type]
    return Bench(own, way_in).labour(operations, condition or Condition(), overridden or {})


def billed(found: Labour) -> dict[str, int]:
    return {each.labour_class: each.billed for each in found.classes}


def allotted(found: Labour) -> dict[tuple[str, str], int]:
    return {(each.operation[0], each.labour_class): each.minutes for each in found.allotted}


def working(name: str, minutes: int, labour_class: LabourClass = TECH) -> Operation:
    """Return a job of its own bench work, without any access."""
    return task(
        name, work=(bench(f"work_{name.lower().replace('-', '_')}", minutes, labour_class),)
    )


@pytest.mark.parametrize(
    ("minutes", "increment", "expected"),
    [(1, 6, 6), (6, 6, 6), (7, 6, 12), (59, 15, 60), (60, 15, 60), (61, 15, 75), (61, 1, 61)],
)
def test_labour_rounds_a_class_up_to_the_increment(
    minutes: int, increment: int, expected: int
) -> None:
    found = labour(working("J", minutes), increment=increment)

    assert billed(found) == {"tech": expected}


def test_labour_rounds_each_class_once_over_the_visit_and_no_job_by_itself() -> None:
    # tech 4 + 4 + 4 = 12, senior 5: 12 and 6; job by job it would be 3 x 6 and 6
    found = labour(
        working("J-A", 4), working("J-B", 4), working("J-C", 4), working("J-S", 5, SENIOR)
    )

    assert billed(found) == {"senior": 6, "tech": 12}
    assert found.billed == 18


def test_labour_rounds_a_fraction_of_a_minute_up() -> None:
    # 7 minutes at the ratio 0.9 are 6.3
    own = structs.replace(shop(), labour=structs.replace(shop().labour, minimum_bench_minutes=0))
    way_in = teardown((part_of("cover", 7),), ratio="0.9")
    found = Bench(own, way_in).labour((task("J", "cover"),), Condition(), {})

    (of_class,) = found.classes
    assert of_class.exact == Fraction("6.3")
    assert of_class.billed == 12


def test_labour_bills_the_longest_job_first_and_the_others_what_they_add() -> None:
    # 6 alone is billed as 6, with 3 more as 12, with 1 more still as 12
    found = labour(working("J-A", 1), working("J-B", 3), working("J-C", 6))

    assert [each.operation[0] for each in found.allotted] == ["J-C", "J-B"]
    assert allotted(found) == {("J-C", "tech"): 6, ("J-B", "tech"): 6}


def test_labour_breaks_ties_by_job_and_cylinder() -> None:
    operations = [
        task(name, work=(bench("same", 9),), cylinder=cylinder)
        for name, cylinder in (("J-B", 1), ("J-A", 2), ("J-B", 2), ("J-A", 1))
    ]
    found = labour(*operations, increment=10)

    # one row of 9 minutes, of all four, is billed as 10 to the first
    assert [(each.operation, each.minutes) for each in found.allotted] == [(("J-A", 1), 10)]
    assert found.shares == dict.fromkeys(
        [(JobId("J-A"), 2), (JobId("J-B"), 1), (JobId("J-B"), 2)], (JobId("J-A"), 1)
    )


def test_labour_bears_the_way_in_on_the_first_job() -> None:
    # the cover serves both; the gear takes 14 in all, of which the cover alone is 6
    parts = (part_of("cover", 2, 4), part_of("gear", 3, 5, "cover"))
    found = labour(task("J-COVER", "cover"), task("J-GEAR", "gear"), parts=parts, increment=1)

    assert allotted(found) == {("J-GEAR", "tech"): 14}
    assert found.shares == {(JobId("J-COVER"), 0): (JobId("J-GEAR"), 0)}


def test_labour_names_no_job_where_there_is_nothing_in_common() -> None:
    found = labour(working("J-A", 6), working("J-B", 12))

    assert found.shares == {}


def test_labour_takes_what_shrinks_off_the_jobs_before() -> None:
    """A plan that is quicker together may need less of one class: the way in through the side is
    senior work, the way from above, which serves both jobs, is not.
    """
    parts = (
        structs.replace(part_of("side", 10), labour_class=SENIOR),
        part_of("top", 12),
        structs.replace(part_of("left", 0), needs_any=(("side", "top"),)),
        part_of("right", 0, 0, "top"),
    )
    alone = labour(task("J-L", "left", work=(bench("lap", 30),)), parts=parts, increment=1)
    both = labour(
        task("J-L", "left", work=(bench("lap", 30),)),
        task("J-R", "right"),
        parts=parts,
        increment=1,
    )

    assert allotted(alone) == {("J-L", "senior"): 10, ("J-L", "tech"): 30}
    # 42 of tech in all, the senior's 10 are gone
    assert allotted(both) == {("J-L", "tech"): 30, ("J-R", "tech"): 12}


def test_labour_bills_no_job_more_than_alone_where_all_is_reached_another_way() -> None:
    """Each job has a way of its own in senior work; the way from above serves both, and is quicker
    than the two, but takes more than either.
    """
    parts = (
        structs.replace(part_of("side", 50), labour_class=SENIOR),
        structs.replace(part_of("back", 45), labour_class=SENIOR),
        part_of("top", 90),
        structs.replace(part_of("left", 0), needs_any=(("side", "top"),)),
        structs.replace(part_of("right", 0), needs_any=(("back", "top"),)),
    )
    jobs = (task("J-L", "left"), task("J-R", "right"))
    both = labour(*jobs, parts=parts, increment=1)

    # the left job, billed first, loses its 50 of senior work and bears what is beyond 45
    assert allotted(both) == {("J-L", "tech"): 45, ("J-R", "tech"): 45}


def test_labour_counts_work_of_the_same_id_once_a_visit() -> None:
    one, other = (task(name, work=(bench("warm_up", 8),)) for name in ("J-A", "J-B"))
    found = labour(one, other, increment=1)

    assert billed(found) == {"tech": 8}
    assert allotted(found) == {("J-A", "tech"): 8}


def test_labour_counts_work_of_a_cylinder_once_on_each() -> None:
    lap = structs.replace(bench("lap", 10), per=Per.cylinder)
    jobs = [
        task(name, work=(lap,), cylinder=cylinder)
        for name, cylinder in (("J-IN", 1), ("J-EX", 1), ("J-EX", 2))
    ]
    found = labour(*jobs, increment=1)

    assert [each.name for each in found.tasks] == ["lap@1", "lap@2"]
    assert {each.operation: each.minutes for each in found.allotted} == {
        ("J-EX", 1): 10,
        ("J-EX", 2): 10,
    }
    assert found.shares == {(JobId("J-IN"), 1): (JobId("J-EX"), 1)}


def test_labour_does_an_engine_jobs_cylinder_work_on_every_cylinder() -> None:
    row = structs.replace(bench("leakdown", 9), per=Per.cylinder)
    found = labour(task("J", work=(row,)), increment=1)

    assert [each.name for each in found.tasks] == ["leakdown@1", "leakdown@2"]
    assert billed(found) == {"tech": 18}


def test_labour_uses_consumables_of_shared_work_once() -> None:
    uses = (Use(item=ItemId("CS-CLEANER"), quantity=read_figure("0.2"), unit="can"),)
    row = structs.replace(bench("clean", 6), uses=uses)
    found = labour(task("J-A", work=(row,)), task("J-B", work=(row,)))

    assert [use for each in found.tasks for use in each.uses] == list(uses)


def test_labour_counts_the_work_of_a_refit_in_its_own_class_without_the_ratio() -> None:
    flat = RefitWork(id=WorkId("flatness"), minutes=7, labour_class=SENIOR)
    parts = (part_of("head", 4, 6, work=(flat,)),)
    found = labour(task("J", "head"), parts=parts, increment=1)

    assert billed(found) == {"senior": 7, "tech": 10}


@pytest.mark.parametrize(("minutes", "expected"), [(1, 24), (29, 0), (30, 0), (31, 0)], ids=str)
def test_labour_fills_up_to_the_bench_minimum(minutes: int, expected: int) -> None:
    # in tenths of an hour first: 1 -> 6, 29 -> 30, 31 -> 36
    found = labour(working("J", minutes), minimum=30)

    assert sum(each.minutes for each in found.bench_minimum) == expected
    assert found.billed >= 30


def test_labour_bills_the_bench_minimum_in_the_shops_class_to_all_jobs_equally() -> None:
    found = labour(working("J-A", 6), working("J-B", 6), minimum=31, minimum_class=SENIOR)

    # 19 minutes between two: the odd one to the first
    assert [
        (each.operation[0], each.labour_class, each.minutes) for each in found.bench_minimum
    ] == [
        ("J-A", "senior", 10),
        ("J-B", "senior", 9),
    ]


def cleaning(name: str) -> Operation:
    return task(name, visit=(shop().labour.debris_heavy_visit,))


def test_labour_adds_heavy_debris_only_where_fins_are_cleaned() -> None:
    heavy = Condition(debris=Debris.heavy)
    fins = (part_of("blower_housing", 0),)
    with_fins = labour(
        cleaning("J-A"), working("J-B", 10), parts=fins, condition=heavy, increment=1
    )
    without = labour(working("J-B", 10), parts=fins, condition=heavy, increment=1)
    light = labour(
        cleaning("J-A"), parts=fins, condition=Condition(debris=Debris.light), increment=1
    )

    # the shop's 20 minutes beside the 12 of the fins, for the job that cleans them
    assert allotted(with_fins) == {("J-A", "clean"): 32, ("J-B", "tech"): 10}
    assert billed(without) == {"tech": 10}
    assert billed(light)["clean"] == 12


def test_labour_adds_previous_work_once_and_for_every_job() -> None:
    found = labour(
        working("J-A", 10),
        working("J-B", 10),
        condition=Condition(previous_work=True),
        increment=1,
    )

    # the shop's 15 minutes, with the first
    assert allotted(found) == {("J-A", "tech"): 25, ("J-B", "tech"): 10}


def test_labour_spreads_overridden_minutes_over_the_jobs_classes() -> None:
    # 12 of tech and 6 of senior are two to one: 10 are 6.67 and 3.33, so 7 and 3
    both = task("J-A", work=(bench("one", 12), bench("two", 6, SENIOR)))
    found = labour(both, overridden={(JobId("J-A"), 0): 10})

    assert allotted(found) == {("J-A", "senior"): 3, ("J-A", "tech"): 7}
    assert billed(found) == {"senior": 3, "tech": 7}


def test_labour_bills_an_override_to_zero_as_nothing() -> None:
    found = labour(working("J-A", 12), overridden={(JobId("J-A"), 0): 0}, minimum=30)

    assert found.allotted == ()
    # all jobs are set by hand: the minimum is too
    assert found.billed == 0
    (of_class,) = found.classes
    assert of_class.exact == 12
    assert of_class.billed == 0


def test_labour_takes_an_override_of_a_job_without_minutes_in_the_shops_class() -> None:
    found = labour(
        task("J-IDLE"),
        working("J-B", 6, SENIOR),
        overridden={(JobId("J-IDLE"), 0): 11},
    )

    assert billed(found) == {"senior": 6, "tech": 11}


def test_labour_leaves_other_jobs_minutes_beside_an_override() -> None:
    found = labour(working("J-A", 6), working("J-B", 12), overridden={(JobId("J-A"), 0): 100})

    assert allotted(found) == {("J-A", "tech"): 100, ("J-B", "tech"): 12}


def test_repeat_bills_every_machine_alike() -> None:
    one = labour(working("J-A", 7), minimum=30)
    three = repeat(one, 3)

    assert billed(three) == {"tech": 36}
    assert sum(each.minutes for each in three.bench_minimum) == 3 * 18
    assert three.billed == 3 * one.billed == 90
    assert three.tasks == one.tasks


def test_read_minutes_refuses_a_job_that_is_not_in_the_quote() -> None:
    override = MinutesOverride(job=JobId("J-LASH"), cylinder=2, minutes=5, reason="r", by="b")
    with pytest.raises(RequestRefused) as refused:
        quote(starter(), jobs=(HEAD,), terms=Terms(overrides=(override,)))

    (fault,) = refused.value.faults
    assert (fault.code, fault.path) == ("not-in-quote", ("overrides", 0, "job"))


def test_read_minutes_takes_the_minutes_for_each_machine() -> None:
    override = MinutesOverride(
        job=JobId("J-HEAD-GASKET"), cylinder=1, minutes=61, reason="r", by="b"
    )
    terms = Terms(overrides=(override,), machines=3)
    found = quote(starter(), jobs=BOTH_HEADS, terms=terms)

    by_cylinder = {each.operation.cylinder: each for each in found.operated}
    assert by_cylinder[1].minutes_here == 3 * 61
    assert by_cylinder[2].minutes_here == by_cylinder[2].minutes_computed


def test_quote_repair_keeps_the_computed_minutes_beside_an_override() -> None:
    plain = quote(starter(), jobs=(HEAD,))
    override = MinutesOverride(
        job=JobId("J-HEAD-GASKET"), cylinder=1, minutes=60, reason="r", by="b"
    )
    found = quote(starter(), jobs=(HEAD,), terms=Terms(overrides=(override,)))

    (here,) = found.operated
    assert (here.minutes_here, here.minutes_computed) == (60, plain.operated[0].minutes_here)


def test_labour_changes_nothing_for_a_shop_that_bills_by_the_minute() -> None:
    # 31 of senior and 170 of tech and 12 of clean, as the layout's rows add up
    catalogue = with_shop(
        starter(),
        labour=structs.replace(shop().labour, increment_minutes=1, minimum_bench_minutes=0),
    )
    found = quote(catalogue, jobs=(HEAD,))

    assert billed(found.repair.labour) == {"clean": 12, "senior": 31, "tech": 170}


def test_labour_asks_visit_work_once_for_all_jobs() -> None:
    run = VisitWork(
        id=VisitWorkId("V-TEST"), minutes=15, labour_class=TECH, name="Run to temperature"
    )
    catalogue = structs.replace(
        catalogue_of(COVER), visit_work={**starter().visit_work, run.id: run}
    )
    operations = [task(name, visit=("V-TEST",)) for name in ("J-A", "J-B", "J-C")]
    way_in = Teardown(catalogue, shop(), family(), None)
    found = Bench(shop(), way_in).labour(operations, Condition(), {})

    assert [each.name for each in found.tasks] == ["V-TEST"]
    # 15 are billed as 18
    assert [each.minutes for each in found.allotted] == [18]


def test_labour_bills_a_plug_at_the_bench_minimum() -> None:
    """Common practice: a small job is charged half an hour at least."""
    found = quote(starter(), jobs=(job("J-PLUG", 1),))

    assert found.repair.labour.billed == 30


def exactly(own: Bench, operations: Sequence[Operation], increment: int) -> dict[object, int]:
    """Return the minutes by operation and class, from the labour of the first one, two, ... jobs,
    which is added up task by task in fractions.
    """

    def billed(some: Sequence[Operation]) -> dict[str, int]:
        sums: dict[str, Fraction] = {}
        for each in own.labour(some, Condition(), {}).tasks:
            sums[each.labour_class] = sums.get(each.labour_class, Fraction(0)) + each.minutes
        return {name: ceil(minutes / increment) * increment for name, minutes in sums.items()}

    def alone(operation: Operation) -> tuple[Fraction, OperationKey]:
        found = own.labour((operation,), Condition(), {})
        return -sum((each.minutes for each in found.tasks), Fraction(0)), operation.key

    order = sorted(operations, key=alone)
    found: dict[object, int] = {}
    for count, operation in enumerate(order, 1):
        before, after = billed(order[: count - 1]), billed(order[:count])
        for name in after:
            if added := after[name] - before.get(name, 0):
                found[operation.key, name] = added
    return found


@pytest.mark.parametrize("increment", [1, 6, 7, 15])
def test_labour_bills_in_whole_numbers_what_fractions_come_to(increment: int) -> None:
    parts = (
        part_of("cover", 7, 11),
        part_of("head", 13, 5, "cover", per_cylinder=True),
        part_of("drain", 3, 2),
    )
    operations = (
        task("J-A", "head@", work=(bench("faces", 13),), cylinder=1),
        task("J-A", "head@", work=(bench("faces", 13),), cylinder=2),
        task("J-B", "cover", work=(bench("lap", 17, SENIOR),)),
        task("J-C", "drain", "head@", work=(bench("grind", 11, SENIOR),), cylinder=2),
    )
    for ratio in ("0.85", "1.07", "0.333333"):
        own = structs.replace(
            shop(), labour=structs.replace(shop().labour, increment_minutes=increment)
        )
        way_in = teardown(parts, ratio=ratio, around=machine(cramped="1.21"))
        found = Bench(own, way_in).labour(operations, Condition(), {})
        assert {
            (each.operation, each.labour_class): each.minutes for each in found.allotted
        } == exactly(Bench(own, way_in), operations, increment)
        assert any(each.exact.denominator > 1 for each in found.classes)
