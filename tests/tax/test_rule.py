"""Rules in force, remembered by area, kind and day."""

from datetime import date, timedelta

from msgspec import structs
from tests.tax.test_charges import LABOUR, PART, area_of

from kitwright.catalogue.model import RoundBy
from kitwright.tax import rule
from kitwright.tax.rule import rule_in_force

DAY = date(2027, 3, 1)


def test_rule_in_force_tells_areas_of_one_id_apart() -> None:
    one = area_of(("8", (PART,), False), by=RoundBy.line)
    other = structs.replace(area_of(("9", (PART,), False), by=RoundBy.line), id=one.id)

    found = [rule_in_force(area, PART, DAY).rate.top for area in (one, other, one)]

    assert found == [2, 9, 2]


def test_rule_in_force_tells_kinds_apart() -> None:
    area = area_of(("8", (PART,), False), by=RoundBy.line)

    assert rule_in_force(area, PART, DAY).dues
    assert not rule_in_force(area, LABOUR, DAY).dues


def test_rule_in_force_remembers_no_more_than_it_may() -> None:
    area = area_of(("8", (PART,), False), by=RoundBy.line)

    for after in range(rule._MOST_RULES + 10):
        rule_in_force(area, PART, DAY + timedelta(days=after))

    assert 0 < len(rule._RULES) <= rule._MOST_RULES
