"""What is said of drawn benches is as often true as it is said to be."""

import pytest
from tests.diagnosis.calibration import OFF_BY, Tally, merged, tally
from tests.stages.workbench import HIRE_YARD, starter

from kitwright.catalogue.model import Grade
from kitwright.workshop import Workshop

EACH = 600
"""Benches of each family: enough to tell a wrong rule, few enough to be drawn in every run. The
command draws more: `python -m tests.diagnosis.calibration`."""


@pytest.fixture(scope="module", params=[0.0, OFF_BY], ids=["the rules", "odds off by a third"])
def drawn(request: pytest.FixtureRequest) -> Tally:
    workshop = Workshop(starter(), starter().shops[HIRE_YARD])
    families = starter().families.values()
    return merged(
        tally(workshop, family, EACH, 20261127 + number, request.param)
        for number, family in enumerate(families)
    )


def test_probabilities_said_are_those_that_come_true(drawn: Tally) -> None:
    # Draws alone put a bin of 300 off by up to 0.06, at twice the standard deviation.
    assert drawn.off(fewest=300) < 0.08


def test_confirmed_is_wrong_less_than_once_in_thirty(drawn: Tally) -> None:
    count, wrong = drawn.count(Grade.confirmed)

    assert count > 800
    assert wrong / count < 0.035


def test_quoted_is_mostly_right(drawn: Tally) -> None:
    assert drawn.quoted[False] / sum(drawn.quoted.values()) < 0.16
