"""Work: the jobs, the components to remove for them, the minutes of labour, and a shop's own."""

from kitwright.stages.work.access import AccessPlan, Teardown, plan_access
from kitwright.stages.work.estimates import (
    CATALOGUE,
    GROUP_OF,
    Estimates,
    Group,
    PaceKey,
    times_odds,
)
from kitwright.stages.work.job import (
    Jobs,
    Operation,
    OperationKey,
    Settled,
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
    "CATALOGUE",
    "GROUP_OF",
    "AccessPlan",
    "Allotted",
    "Bench",
    "Estimates",
    "Group",
    "Jobs",
    "Labour",
    "Operation",
    "OperationKey",
    "PaceKey",
    "Settled",
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
    "times_odds",
]
