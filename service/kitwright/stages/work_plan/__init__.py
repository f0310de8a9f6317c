"""Work plan: the steps of a visit in an order that hands can follow, and what stopping costs."""

from kitwright.stages.work_plan.plan import plan_work
from kitwright.stages.work_plan.rules import Rule, Rules
from kitwright.stages.work_plan.step import Adjustment, Step, Visit, WorkPlan
from kitwright.stages.work_plan.stop import (
    STOPPED,
    Share,
    Stop,
    UsedUp,
    find_stop,
    find_stops,
    find_used,
    part_of,
)

__all__ = [
    "STOPPED",
    "Adjustment",
    "Rule",
    "Rules",
    "Share",
    "Step",
    "Stop",
    "UsedUp",
    "Visit",
    "WorkPlan",
    "find_stop",
    "find_stops",
    "find_used",
    "part_of",
    "plan_work",
]
