"""Ordering: what each supplier is asked to send."""

from kitwright.stages.ordering.order import PartsOrder, split_orders

__all__ = ["PartsOrder", "split_orders"]
