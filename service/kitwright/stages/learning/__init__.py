"""Learning: what the clock and what was found say of the estimates, and which to propose."""

from kitwright.stages.learning.clocked import (
    ClockedTime,
    GroupMinutes,
    PlannedStep,
    Worked,
    compare_minutes,
)
from kitwright.stages.learning.minutes import (
    FEWEST,
    LearnedMinutes,
    MedianInterval,
    WorstJob,
    learn_minutes,
    median_interval,
    worst_jobs,
)
from kitwright.stages.learning.odds import (
    WEIGHT,
    Band,
    Foreseen,
    ForeseenKind,
    LearnedOdds,
    find_bands,
    learn_odds,
)

__all__ = [
    "FEWEST",
    "WEIGHT",
    "Band",
    "ClockedTime",
    "Foreseen",
    "ForeseenKind",
    "GroupMinutes",
    "LearnedMinutes",
    "LearnedOdds",
    "MedianInterval",
    "PlannedStep",
    "Worked",
    "WorstJob",
    "compare_minutes",
    "find_bands",
    "learn_minutes",
    "learn_odds",
    "median_interval",
    "worst_jobs",
]
