"""Exact algorithms, independent of the trade and generic in the types of their items."""

from __future__ import annotations

from typing import Any, Protocol


class Orderable(Protocol):
    """An item that can be compared, hashed and sorted, such as a string."""

    def __lt__(self, other: Any, /) -> bool: ...
    def __hash__(self) -> int: ...
