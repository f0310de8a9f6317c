"""Out: the base class of answer structs."""

from __future__ import annotations

from msgspec import Struct


class Out(Struct, frozen=True, kw_only=True):
    """The base of every answer struct."""
