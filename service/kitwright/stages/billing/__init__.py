"""Billing: what was really used and clocked, against what was agreed, and the bill that follows."""

from kitwright.stages.billing.bill import Billed, BilledLine, Why, bill, with_taxes
from kitwright.stages.billing.clocked import Timed, allot_clocked
from kitwright.stages.billing.stopped import (
    LIMITED,
    Minutes,
    Most,
    StoppedBill,
    bill_stopped,
)
from kitwright.stages.billing.used import (
    GOODS,
    AgreedLine,
    Clocked,
    CoreBack,
    Dealt,
    Disposed,
    Used,
    check_used,
)

__all__ = [
    "GOODS",
    "LIMITED",
    "AgreedLine",
    "Billed",
    "BilledLine",
    "Clocked",
    "CoreBack",
    "Dealt",
    "Disposed",
    "Minutes",
    "Most",
    "StoppedBill",
    "Timed",
    "Used",
    "Why",
    "allot_clocked",
    "bill",
    "bill_stopped",
    "check_used",
    "with_taxes",
]
