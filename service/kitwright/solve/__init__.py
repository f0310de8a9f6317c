"""Exact algorithms without trade words, generic in the types of their items."""

from __future__ import annotations

from typing import Any, Protocol


class Orderable(Protocol):
    """An item that can be told apart, hashed and put in a fixed order, such as a string."""

    def __lt__(self, other: Any, /) -> bool: ...
    def __hash__(self) -> int: ...
