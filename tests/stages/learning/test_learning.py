"""What clocked minutes and finds say of the estimates, by hand."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest

from kitwright.catalogue.model import ContingencyId, FamilyId, LabourClass
from kitwright.stages.learning import (
    ClockedTime,
    Foreseen,
    ForeseenKind,
    GroupMinutes,
    PlannedStep,
    Worked,
    compare_minutes,
    find_bands,
    learn_minutes,
    learn_odds,
    median_interval,
    worst_jobs,
)
from kitwright.stages.work import Group, PaceKey

FAMILY = FamilyId("QM-H27")
TECH, SENIOR = LabourClass("tech"), LabourClass("senior")
STEPS = (
    PlannedStep(name="off cover", group="teardown", labour_class=TECH, minutes=Fraction(20)),
    PlannedStep(name="off head", group="teardown", labour_class=SENIOR, minutes=Fraction(30)),
    PlannedStep(name="look", group="teardown", labour_class=None, minutes=Fraction(0)),
    PlannedStep(name="lap", group="work", labour_class=SENIOR, minutes=Fraction(60)),
)


def key(group: Group, labour_class: LabourClass) -> PaceKey:
    return PaceKey(FAMILY, group, labour_class)


def compared(*clocked: ClockedTime) -> Any:
    found = compare_minutes(1, FAMILY, STEPS, clocked)
    return {
        (one.key.group, one.key.labour_class): (one.estimated, one.clocked, one.is_shared)
        for one in found.groups
    }


def at(group: str, minutes: int, step: str | None = None) -> ClockedTime:
    return ClockedTime(group=group, step=step, minutes=minutes)


def test_minutes_clocked_on_a_group_are_shared_by_estimates() -> None:
    assert compared(at("teardown", 100)) == {
        ("teardown", "tech"): (20, 40, True),
        ("teardown", "senior"): (30, 60, True),
    }


def test_minutes_clocked_on_a_step_are_of_its_class_and_of_it_alone() -> None:
    assert compared(at("teardown", 25, "off cover")) == {("teardown", "tech"): (20, 25, False)}


def test_minutes_of_a_group_beside_a_step_are_those_of_the_other_steps() -> None:
    assert compared(at("teardown", 25, "off cover"), at("teardown", 45)) == {
        ("teardown", "tech"): (20, 25, False),
        ("teardown", "senior"): (30, 45, False),
    }


def test_minutes_of_an_unbilled_step_are_a_part_of_its_group_if_that_was_clocked() -> None:
    assert compared(at("teardown", 10, "look")) == {}
    assert compared(at("teardown", 90), at("teardown", 10, "look")) == {
        ("teardown", "tech"): (20, 40, True),
        ("teardown", "senior"): (30, 60, True),
    }


def test_a_group_with_a_forgotten_clock_is_left_out() -> None:
    lost = ClockedTime(group="teardown", step=None, minutes=300, is_forgotten=True)
    found = compare_minutes(1, FAMILY, STEPS, (lost, at("work", 60)))

    assert [one.key for one in found.groups] == [key("work", SENIOR)]
    assert found.left_out == 1


@pytest.mark.parametrize(
    ("count", "places"),
    # from tables of the sign test: the least and the greatest of six, the second of nine, the sixth
    # of twenty
    [(5, None), (6, (1, 6)), (8, (1, 8)), (9, (2, 8)), (20, (6, 15)), (40, (14, 27))],
)
def test_median_interval_takes_the_places_of_the_sign_test(
    count: int, places: tuple[int, int] | None
) -> None:
    found = median_interval([Fraction(one) for one in range(1, count + 1)])

    wanted: Any = places
    assert wanted == (None if found is None else (found.low, found.high))


def worked(quote: int, estimated: int, clocked: int) -> Worked:
    group = GroupMinutes(
        key=key("work", SENIOR),
        estimated=Fraction(estimated),
        clocked=Fraction(clocked),
        is_shared=False,
    )
    return Worked(quote=quote, family=FAMILY, groups=(group,))


def test_nothing_is_proposed_of_seven_jobs_and_something_of_eight() -> None:
    jobs = [worked(number, 60, 88 + number) for number in range(1, 9)]

    (seven,) = learn_minutes(jobs[:7], {})
    (eight,) = learn_minutes(jobs, {})

    assert (seven.jobs, seven.proposal) == (7, None)
    assert (eight.jobs, eight.proposal) == (8, Decimal("1.54"))
    assert (eight.estimated, eight.clocked) == (Fraction(480), Fraction(sum(range(89, 97))))
    assert eight.ratio == Fraction(185, 120)


def test_ratios_are_those_to_the_estimates_in_force() -> None:
    jobs = [worked(number, 60, 88 + number) for number in range(1, 9)]

    (found,) = learn_minutes(jobs, {key("work", SENIOR): Fraction(3, 2)})

    assert (found.estimated, found.ratio) == (Fraction(720), Fraction(185, 180))
    # what is learned does not depend on what is in force
    assert found.shrunk == learn_minutes(jobs, {})[0].shrunk


def test_worst_jobs_are_those_furthest_off_either_way() -> None:
    jobs = [worked(1, 60, 66), worked(2, 60, 20), worked(3, 60, 150), worked(4, 60, 60)]

    found = worst_jobs(jobs, {}, 2)

    assert [(one.quote, one.ratio) for one in found] == [(2, Fraction(1, 3)), (3, Fraction(5, 2))]


def case(chance: str, *, was_found: bool, kind: str = "contingency") -> Foreseen:
    return Foreseen(
        kind=ForeseenKind(kind),
        code="C-STUD",
        chance=Fraction(chance),
        catalogue=Fraction(chance),
        was_found=was_found,
    )


def test_odds_begin_at_the_catalogue_as_if_that_were_eight_cases() -> None:
    cases = [case("0.25", was_found=number < 9) for number in range(12)]

    (found,) = learn_odds(cases, {})

    # (8 * 0.25 + 9) / (8 + 12), of Beta(11, 9); its interval by stats.beta.ppf of scipy 1.17.1
    assert (found.shrunk, found.kept) == (Fraction(11, 20), Fraction(3, 5))
    assert (found.interval.low, found.interval.high) == (Decimal("0.334998"), Decimal("0.755525"))
    # odds of 11 to 9 in place of 1 to 3
    assert found.proposal == Decimal("3.67")
    (again,) = learn_odds(cases, {ContingencyId("C-STUD"): Fraction("3.67")})
    assert again.proposal is None


def test_odds_of_faults_are_shown_and_not_proposed() -> None:
    cases = [case("0.25", was_found=True, kind="diagnosis") for _ in range(20)]

    (found,) = learn_odds(cases, {})

    assert (found.found, found.proposal) == (20, None)


def test_bands_count_what_was_said_and_found() -> None:
    cases = [
        case("0.05", was_found=False),
        case("0.12", was_found=True),
        case("0.18", was_found=False),
        case("1", was_found=True),
    ]

    found = find_bands(cases)

    assert [(one.low, one.cases, one.said, one.share) for one in found] == [
        (Decimal(0), 1, Fraction(1, 20), 0),
        (Decimal("0.1"), 2, Fraction(3, 20), Fraction(1, 2)),
        (Decimal("0.9"), 1, 1, 1),
    ]
