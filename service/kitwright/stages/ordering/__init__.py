"""Ordering: the parts orders for each supplier, and follow-up orders if more is needed later."""

from kitwright.stages.ordering.follow_up import (
    FollowUp,
    NotOrderable,
    Packs,
    SupplierGone,
    Surplus,
    plan_follow_up,
)
from kitwright.stages.ordering.order import PartsOrder, Use, split_orders
from kitwright.stages.ordering.shortage import (
    Missing,
    NothingSells,
    buy_missing,
    joined,
    take_last,
)

__all__ = [
    "FollowUp",
    "Missing",
    "NotOrderable",
    "NothingSells",
    "Packs",
    "PartsOrder",
    "SupplierGone",
    "Surplus",
    "Use",
    "buy_missing",
    "joined",
    "plan_follow_up",
    "split_orders",
    "take_last",
]
