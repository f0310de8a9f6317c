"""Ordering: the parts orders for each supplier, and follow-up orders if more is needed later."""

from kitwright.stages.ordering.basket import Basket, buy_together, landed_of
from kitwright.stages.ordering.fill import Fill, Filler, Restock, fill_up
from kitwright.stages.ordering.follow_up import (
    FollowUp,
    NotOrderable,
    SupplierGone,
    Surplus,
    plan_follow_up,
)
from kitwright.stages.ordering.instead import Lacking, next_offer
from kitwright.stages.ordering.later import find_earlier, later_orders, with_orders
from kitwright.stages.ordering.order import PartsOrder, Use, split_orders
from kitwright.stages.ordering.placed import Earlier, Packs, per_pack
from kitwright.stages.ordering.shortage import (
    Missing,
    NothingSells,
    buy_missing,
    joined,
    take_last,
)
from kitwright.stages.ordering.together import (
    Allotment,
    JointOrder,
    Portion,
    join_orders,
    share_charge,
)

__all__ = [
    "Allotment",
    "Basket",
    "Earlier",
    "Fill",
    "Filler",
    "FollowUp",
    "JointOrder",
    "Lacking",
    "Missing",
    "NotOrderable",
    "NothingSells",
    "Packs",
    "PartsOrder",
    "Portion",
    "Restock",
    "SupplierGone",
    "Surplus",
    "Use",
    "buy_missing",
    "buy_together",
    "fill_up",
    "find_earlier",
    "join_orders",
    "joined",
    "landed_of",
    "later_orders",
    "next_offer",
    "per_pack",
    "plan_follow_up",
    "share_charge",
    "split_orders",
    "take_last",
    "with_orders",
]
