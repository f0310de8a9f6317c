"""Billing: what was really used and clocked, against what was agreed, and the bill that follows."""

from kitwright.stages.billing.bill import Billed, BilledLine, Why, bill
from kitwright.stages.billing.clocked import Timed, allot_clocked
from kitwright.stages.billing.used import (
    AgreedLine,
    Clocked,
    CoreBack,
    Dealt,
    Disposed,
    Used,
    check_used,
)

__all__ = [
    "AgreedLine",
    "Billed",
    "BilledLine",
    "Clocked",
    "CoreBack",
    "Dealt",
    "Disposed",
    "Timed",
    "Used",
    "Why",
    "allot_clocked",
    "bill",
    "check_used",
]
