"""The golden rows of the starter rules, rows of our own, and every single flip of the golden."""

import pytest
from tests.diagnosis.confusion import wrong_after_flips
from tests.diagnosis.rows import Row, answering, assessed, on_family, read_rows
from tests.stages.workbench import HIRE_YARD, starter

from kitwright.catalogue.model import FamilyId, Grade
from kitwright.workshop import Workshop

GOLDEN = read_rows("golden.toml")
CASES = read_rows("cases.toml")
WORKSHOP = Workshop(starter(), starter().shops[HIRE_YARD])
MOST_WRONG_PROBABLE = 7
"""How many single flips of the golden rows make a wrong diagnosis probable: it may only fall."""


@pytest.mark.parametrize("row", [*GOLDEN, *CASES], ids=lambda row: row.id)
def test_assess_comes_to_what_the_row_says(row: Row) -> None:
    found = assessed(WORKSHOP, row)

    graded = {one.candidate.key: one.grade for one in found.diagnosed.ranked if one.grade}
    if row.top is not None:
        assert found.diagnosed.ranked[0].candidate.key == row.top
    if row.grade is not None:
        assert found.diagnosed.ranked[0].grade == row.grade
    assert set(row.pair) <= graded.keys()
    if row.gate is not None:
        assert row.gate in answering(found)
    if row.none:
        assert not graded


@pytest.mark.parametrize("family", starter().families)
@pytest.mark.parametrize("row", GOLDEN, ids=lambda row: row.id)
def test_assess_leads_to_the_golden_on_every_family(row: Row, family: FamilyId) -> None:
    moved = on_family(row, family)
    if moved is None or not set(row.flags) <= set(starter().families[family].flags):
        # a row about a second cylinder says nothing of a single
        moved = row
    found = assessed(WORKSHOP, moved)

    assert row.top in (None, *(one.candidate.key for one in found.diagnosed.ranked[:1]))
    assert row.gate in (None, *answering(found))


def test_rows_cover_every_diagnosis_and_real_pairs() -> None:
    led = {row.top.partition("@")[0] for row in CASES if row.top}

    assert led == set(starter().diagnoses)
    assert sum(len(row.pair) > 1 for row in CASES) >= 5
    assert len(CASES) >= 40


@pytest.mark.parametrize("family", starter().families)
def test_single_flip_of_a_golden_row_never_confirms_a_wrong_diagnosis(family: str) -> None:
    rows = [moved for row in GOLDEN if (moved := on_family(row, family))]

    tried, wrong = wrong_after_flips(starter(), WORKSHOP, rows)

    assert tried >= 60
    assert not [each for each in wrong if each[2] is Grade.confirmed]
    assert len(wrong) <= MOST_WRONG_PROBABLE
