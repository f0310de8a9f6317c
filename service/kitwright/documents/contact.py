"""Contact: how the shop is reached, as its papers say it."""

from __future__ import annotations

from msgspec import Struct


class Contact(Struct, frozen=True, kw_only=True):
    """Where a shop is and how it is reached; what its owner did not give is left out.

    An address may have several lines.
    """

    address: str | None = None
    telephone: str | None = None
    email: str | None = None
