"""Contingency: faults that teardown may show, and their effect on the price."""

from kitwright.stages.contingency.contingency import (
    Chance,
    MayTurnUp,
    Prospect,
    Weighed,
    find_chances,
    list_contingencies,
)

__all__ = [
    "Chance",
    "MayTurnUp",
    "Prospect",
    "Weighed",
    "find_chances",
    "list_contingencies",
]
