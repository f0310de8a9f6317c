"""Refusals: the problems that calls of a kind share, whatever they keep."""

from __future__ import annotations

from typing import Final

STORE_PROBLEMS: Final = ("storage-unavailable", "storage-full")
ONCE_PROBLEMS: Final = (
    "idempotency-key-missing",
    "idempotency-key-malformed",
    "call-in-progress",
    "idempotency-key-reused",
    *STORE_PROBLEMS,
)
"""Problems of every call that is done once."""
GUARD_PROBLEMS: Final = ("condition-malformed", "record-changed", "condition-missing")
"""Problems of every call that changes a record."""
