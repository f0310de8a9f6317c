"""How valves are held, from the readings of a leak-down to the step on the bench."""

from __future__ import annotations

import json
from typing import Any

import pytest
from tests.cases.counter import REPOSITORY, answer

FINDINGS = REPOSITORY / "openapi" / "examples" / "assessFindings.oil-on-one-plug.json"


def holds(**leakdown: str) -> list[str]:
    """Return how the valves of the second cylinder are held for its stem seals, where the findings
    have the first cylinder's head off; its own leak-down is changed, or was not done.
    """
    findings: dict[str, Any] = json.loads(FINDINGS.read_text(encoding="utf-8"))
    family = findings.pop("family")
    other = findings["cylinders"][1]
    if leakdown:
        other["leakdown"] |= leakdown
    else:
        del other["leakdown"]
    whole = answer(
        "hire-yard",
        {
            "family": family,
            "chassis": "DF-RT36",
            "on": "2027-03-01",
            "findings": findings,
            "add_jobs": [{"job": "J-STEM-SEAL", "cylinder": 2}],
        },
    )
    steps = whole["work_plan"]["steps"]
    return [step["name"].partition(":")[0] for step in steps if step["kind"] == "hold"]


@pytest.mark.parametrize(
    ("reading", "expected"),
    [
        ({"supply": "90", "in_cylinder": "84"}, "Hold the valves with compressed air"),
        ({"supply": "90", "in_cylinder": "40"}, "Hold the valves with rope"),
        # void: above 100 psi, and the gauges swapped
        ({"supply": "110", "in_cylinder": "104"}, "Hold the valves with rope"),
        ({"supply": "84", "in_cylinder": "90"}, "Hold the valves with rope"),
        ({}, "Hold the valves with rope"),
    ],
    ids=["good", "bad", "void", "swapped", "missing"],
)
def test_valves_are_held_by_air_only_after_a_good_leak_down_that_counts(
    reading: dict[str, str], expected: str
) -> None:
    assert holds(**reading) == [expected]
