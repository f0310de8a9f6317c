"""Work plan: the steps of a visit in an order that hands can follow, and what stopping costs."""

from kitwright.stages.work_plan.plan import plan_work
from kitwright.stages.work_plan.rules import Rule, Rules
from kitwright.stages.work_plan.step import Adjustment, Step, Visit, WorkPlan
from kitwright.stages.work_plan.stop import Stop, find_stop, find_stops

__all__ = [
    "Adjustment",
    "Rule",
    "Rules",
    "Step",
    "Stop",
    "Visit",
    "WorkPlan",
    "find_stop",
    "find_stops",
    "plan_work",
]
