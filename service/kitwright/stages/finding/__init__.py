"""Finding: the bench's findings, which of them count, the faults they support, the next tests."""

from kitwright.stages.finding.assessment import (
    Assessment,
    Course,
    choose_course,
    repairs_in_play,
    sum_up_findings,
)
from kitwright.stages.finding.diagnosis import Evidence, Ranked, diagnose
from kitwright.stages.finding.finding import Findings, read_findings
from kitwright.stages.finding.leakage import Leakage, Standing, whole_percent
from kitwright.stages.finding.next_test import Bench, Cause, choose_tests, settling
from kitwright.stages.finding.odds import Odds

__all__ = [
    "Assessment",
    "Bench",
    "Cause",
    "Course",
    "Evidence",
    "Findings",
    "Leakage",
    "Odds",
    "Ranked",
    "Standing",
    "choose_course",
    "choose_tests",
    "diagnose",
    "read_findings",
    "repairs_in_play",
    "settling",
    "sum_up_findings",
    "whole_percent",
]
