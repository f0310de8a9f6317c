"""Contact: address, phone and e-mail of the shop for its documents."""

from __future__ import annotations

from msgspec import Struct


class Contact(Struct, frozen=True, kw_only=True):
    """The address of a shop and the ways to reach it; members that its owner did not give are left
    out.

    An address may have several lines.
    """

    address: str | None = None
    telephone: str | None = None
    email: str | None = None
