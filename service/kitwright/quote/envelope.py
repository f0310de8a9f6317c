"""Envelope: what surrounds a kept revision on paper: whose it is, and where it stands."""

from __future__ import annotations

from datetime import datetime

from msgspec import Struct

from kitwright.money import Money
from kitwright.quote.whole import Quote


class Envelope(Struct, frozen=True, kw_only=True):
    """A revision's surroundings; customer data that is not there is left out.

    `quote_id` is the quote's (Q12). `agreed_at` and `agreed_by` tell of the acceptance of this
    revision, and `limit` how far it goes, with tax where `limit_includes_tax`.
    """

    quote_id: str
    revision: int
    state: str
    issued_at: datetime | None
    sha256: str | None
    customer_name: str | None = None
    customer_address: str | None = None
    customer_email: str | None = None
    machine_name: str | None = None
    machine_hours: str | None = None
    agreed_at: datetime | None = None
    agreed_by: str | None = None
    limit: Money | None = None
    limit_includes_tax: bool = True

    @property
    def name(self) -> str:
        """The revision's id, as files and references have it (Q12-3)."""
        return f"{self.quote_id}-{self.revision}"


class Paper(Struct, frozen=True, kw_only=True):
    """A kept revision with what surrounds it: all that a document is made of."""

    quote: Quote
    envelope: Envelope
