"""Reasons: a stable code and its facts. The core returns reasons, and `kitwright.language` turns
them into sentences.
"""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from msgspec import Struct

from kitwright.money import Money

Fact = str | int | Decimal | date | Money | None


class Why(Struct, frozen=True):
    """One reason for a line, need or step: `code` identifies the sentence, `facts` fill it in."""

    code: str
    facts: dict[str, Fact] = {}


def place(name: str, cylinder: int | None) -> str:
    """Return an instance id: `head@1` on a cylinder, `muffler` on the engine."""
    return name if cylinder is None else f"{name}@{cylinder}"
