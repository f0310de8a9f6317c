"""Ordering: the parts orders for each supplier, and follow-up orders if more is needed later."""

from kitwright.stages.ordering.follow_up import (
    FollowUp,
    Packs,
    SupplierGone,
    Surplus,
    plan_follow_up,
)
from kitwright.stages.ordering.order import PartsOrder, Use, split_orders

__all__ = [
    "FollowUp",
    "Packs",
    "PartsOrder",
    "SupplierGone",
    "Surplus",
    "Use",
    "plan_follow_up",
    "split_orders",
]
