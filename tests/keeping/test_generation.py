"""Numbers after a restore, whose folder it is, and where an event comes from."""

from datetime import UTC, datetime, timedelta

import pytest
from msgspec import structs

from kitwright.keeping.generation import (
    Belonging,
    ClockBehind,
    FolderOfAnother,
    Generation,
    Origin,
    check_belonging,
    numbers_lost,
)

TAKEN = datetime(2027, 3, 1, 12, tzinfo=UTC)
OWN = Belonging(shop="yard", currency="USD", tax_area="north", families=("F1", "F2"))


@pytest.mark.parametrize("apart", [0, 1, 59, 3600, 86_400 * 400])
def test_numbers_lost_exceeds_what_a_busy_service_can_have_given(apart: int) -> None:
    assert numbers_lost(TAKEN, TAKEN + timedelta(seconds=apart)) >= 1000 * (apart + 1)


def test_numbers_lost_of_a_later_restore_goes_beyond_those_of_an_earlier_one() -> None:
    early = TAKEN + timedelta(hours=1)
    late = early + timedelta(seconds=2)

    # 1,999 records in between, each with a number of the earlier restore
    assert numbers_lost(TAKEN, late) > numbers_lost(TAKEN, early) + 1999


def test_numbers_lost_refuses_a_clock_that_is_behind() -> None:
    with pytest.raises(ClockBehind, match="set the clock first"):
        numbers_lost(TAKEN, TAKEN - timedelta(seconds=1))


@pytest.mark.parametrize(
    "asked",
    [OWN, structs.replace(OWN, families=("F2", "F3"))],
    ids=["the same", "a family replaced"],
)
@pytest.mark.parametrize("kept", [OWN, Belonging(), Belonging(currency="USD")])
def test_check_belonging_allows_the_folders_own(kept: Belonging, asked: Belonging) -> None:
    check_belonging(kept, asked)


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        (structs.replace(OWN, shop="orchard"), "start with --shop yard"),
        (structs.replace(OWN, currency="EUR"), "its quotes are in USD"),
        (structs.replace(OWN, tax_area="south"), "kitwright adopt"),
        (structs.replace(OWN, families=("F8", "F9")), "give the folder's own catalogue"),
    ],
)
def test_check_belonging_refuses_anothers_and_says_what_to_do(asked: Belonging, told: str) -> None:
    with pytest.raises(FolderOfAnother, match=told):
        check_belonging(OWN, asked)


def test_event_keeps_its_id_through_a_restore_and_later_ones_have_another_epoch() -> None:
    first = Generation(number=1, epoch="aa", after=0, begun_at=TAKEN)
    second = Generation(number=2, epoch="bb", after=5, begun_at=TAKEN)
    before, after = (
        Origin(shop="yard", generations=(first,)),
        Origin(shop="yard", generations=(first, second)),
    )

    assert after.event_id(5) == before.event_id(5) == "yard_aa_5"
    assert after.event_id(6) == "yard_bb_6"
    assert before.event_id(6) == "yard_aa_6"
    assert after.delivery_id(3, 6) == "evt_yard_bb_3_6"
