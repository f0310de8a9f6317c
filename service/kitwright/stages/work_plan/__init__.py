"""Work plan: the steps of a visit, in an order that two hands can follow."""

from kitwright.stages.work_plan.plan import Adjustment, Step, WorkPlan, plan_work
from kitwright.stages.work_plan.rules import Rules

__all__ = ["Adjustment", "Rules", "Step", "WorkPlan", "plan_work"]
