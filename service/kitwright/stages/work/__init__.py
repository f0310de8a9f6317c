"""Work: the jobs, the components to remove for them, and the minutes of labour."""

from kitwright.stages.work.access import AccessPlan, Teardown, plan_access
from kitwright.stages.work.job import (
    Jobs,
    Operation,
    OperationKey,
    choose_jobs,
    includes,
    settle,
)
from kitwright.stages.work.labour import (
    Allotted,
    Bench,
    Labour,
    Task,
    count_by_hand,
    minutes_by_hand,
    read_minutes,
    repeat,
)

__all__ = [
    "AccessPlan",
    "Allotted",
    "Bench",
    "Jobs",
    "Labour",
    "Operation",
    "OperationKey",
    "Task",
    "Teardown",
    "choose_jobs",
    "count_by_hand",
    "includes",
    "minutes_by_hand",
    "plan_access",
    "read_minutes",
    "repeat",
    "settle",
]
