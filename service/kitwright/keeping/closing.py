"""Closing: an erasure or a revocation, as the ledger beside the database tells it."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Literal

from msgspec import Struct, structs


class Closing(Struct, frozen=True, kw_only=True):
    """An erased customer, by its number; one who was erased in part, by its number, the quotes that
    stayed and the time, such as 7.12+15.2026-11-28T10:00:00Z; a revoked key, by its id; or the
    revoked links of a quote, by its number and how often they were revoked then, such as 12.1.
    """

    kind: Literal["customer", "key", "links", "part"]
    id: str
    at: datetime


class Ledger(Struct, frozen=True, kw_only=True):
    """All closings of a data folder, complete up to `as_of`. `folder` is the epoch of the folder's
    first generation, which all its backups share.
    """

    folder: str
    as_of: datetime
    closings: tuple[Closing, ...] = ()

    def with_more(self, closings: Iterable[Closing], as_of: datetime) -> Ledger:
        """Return the ledger with more closings, complete up to the later of both times."""
        merged = {(one.kind, one.id): one for one in (*closings, *self.closings)}
        ordered = sorted(merged.values(), key=lambda one: (one.at, one.kind, one.id))
        return structs.replace(self, as_of=max(self.as_of, as_of), closings=tuple(ordered))
