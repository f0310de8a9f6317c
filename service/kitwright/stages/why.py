"""Reasons: a stable code and its facts. The core gives reasons; `kitwright.language` makes
sentences of them.
"""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from msgspec import Struct

from kitwright.money import Money

Fact = str | int | Decimal | date | Money | None


class Why(Struct, frozen=True):
    """One reason for a line, a need, a step: `code` names the sentence, `facts` fill it."""

    code: str
    facts: dict[str, Fact] = {}


def place(name: str, cylinder: int | None) -> str:
    """Return an instance id: `head@1` on a cylinder, `muffler` on the engine."""
    return name if cylinder is None else f"{name}@{cylinder}"
