"""Contingency: what teardown may show, and what that would add."""

from kitwright.stages.contingency.contingency import (
    Chance,
    Contingencies,
    MayTurnUp,
    Prospect,
    Weighed,
    find_chances,
    list_contingencies,
)

__all__ = [
    "Chance",
    "Contingencies",
    "MayTurnUp",
    "Prospect",
    "Weighed",
    "find_chances",
    "list_contingencies",
]
